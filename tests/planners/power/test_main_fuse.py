"""Several charge points behind one main fuse never exceed it together."""

from __future__ import annotations

from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st

from config.files.errors import FileError
from config.household.household_file import HouseholdFile
from config.household.loading import load_household
from planners.power.allowed_currents import highest_amps
from planners.power.main_fuse import CurrentRange, share_of_fuse

Point = tuple[float, str]


def text(fuse: float, points: list[Point]) -> str:
    rows = [
        f"  p{i}: {{charging_mode: 3, max_amps: {amps:g}, switching: {switching}}}"
        for i, (amps, switching) in enumerate(points)
    ]
    cars = [f"  c{i}: {{charge_point: p{i}, usable_kwh: 52}}" for i in range(len(points))]
    return "\n".join(
        [
            f"household: {{name: H, timezone: UTC, currency: NZD, main_fuse_amps: {fuse:g}}}",
            "tariffs: [{name: All, bands: [{name: all, rate: 0.2}]}]",
            "charge_points:", *rows, "vehicles:", *cars, "departures: []",
            "bus: {broker: embedded}", "ledger: {path: ledger.sqlite3}",
        ]
    )  # fmt: skip


def household(directory: Path, fuse: float, points: list[Point]) -> HouseholdFile:
    path = directory / "house.yaml"
    path.write_text(text(fuse, points), "utf-8")
    return load_household(path)


@pytest.mark.parametrize(
    ("fuse", "points", "expected"),
    [
        (63, [(32, "current")], [32]),
        (25, [(32, "current")], [25]),
        (80, [(32, "current"), (32, "current")], [32, 32]),
        (63, [(32, "current"), (32, "current")], [31, 31]),
        (40, [(32, "current"), (16, "current")], [26, 13]),
        (40, [(32, "current"), (10, "on_off")], [30, 10]),
    ],
)
def test_shares(tmp_path: Path, fuse: float, points: list[Point], expected: list[float]) -> None:
    """All get their highest current if the fuse carries them; else a share of whole amperes."""
    file = household(tmp_path, fuse, points)
    got = [highest_amps(file, f"p{i}", f"c{i}") for i in range(len(points))]
    assert got == expected


@given(
    st.floats(10, 200),
    st.lists(
        st.tuples(st.integers(6, 63).map(float), st.sampled_from(["current", "on_off"])),
        min_size=1,
        max_size=4,
    ),
)
def test_the_fuse_is_never_exceeded(
    tmp_path_factory: pytest.TempPathFactory, fuse: float, points: list[Point]
) -> None:
    """Either the file is refused, or the highest currents together are within the fuse."""
    lowest = [amps if switching == "on_off" else 6 for amps, switching in points]
    try:
        file = household(tmp_path_factory.mktemp("home"), fuse, points)
    except FileError:
        assert max(lowest) > file_fuse(fuse)
        return
    total = sum(highest_amps(file, f"p{i}", f"c{i}") for i in range(len(points)))
    assert 0 < total <= file_fuse(fuse) + 1e-9


@given(
    st.floats(1, 200),
    st.lists(
        st.tuples(st.integers(6, 63).map(float), st.booleans(), st.sampled_from([1.0, 2.0, 3.0])),
        min_size=1,
        max_size=4,
    ),
)
def test_the_power_is_never_exceeded(left: float, points: list[tuple[float, bool, float]]) -> None:
    """Each ampere counts once for each phase; the first in the file is served if it can be."""
    ranges = {
        f"p{i}": CurrentRange(amps if is_relay else 6.0, amps)
        for i, (amps, is_relay, _phases) in enumerate(points)
    }
    counts = {f"p{i}": phases for i, (_amps, _is_relay, phases) in enumerate(points)}
    shares = {name: share_of_fuse(ranges, name, left, counts) for name in ranges}
    assert sum(counts[name] * amps for name, amps in shares.items()) <= left + 1e-9
    assert all(not amps or ranges[name].lowest <= amps for name, amps in shares.items())
    assert (shares["p0"] > 0) == (counts["p0"] * ranges["p0"].lowest <= left)


def file_fuse(fuse: float) -> float:
    """Round as the household file of these tests does."""
    return float(f"{fuse:g}")


def test_relays_that_exceed_the_fuse_together_take_turns(tmp_path: Path) -> None:
    """The first has all of its current as its fixed share; the other waits for the joint plan."""
    file = household(tmp_path, 40, [(32, "on_off"), (16, "on_off")])
    assert [highest_amps(file, f"p{i}", f"c{i}") for i in range(2)] == [32.0, 0.0]


def test_every_point_that_exceeds_the_fuse_alone_is_refused(tmp_path: Path) -> None:
    """Each at its place: no turn is long enough for more current than there is."""
    with pytest.raises(FileError) as caught:
        household(tmp_path, 10, [(32, "on_off"), (8, "on_off"), (16, "on_off")])
    assert [fault.message.split(" with")[0] for fault in caught.value.faults] == [
        "max_amps: expected at most the main fuse's 10 A"
    ] * 2
