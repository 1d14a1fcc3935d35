"""Announced kinds of day fit the bands that list them, or the file is refused with the place."""

from __future__ import annotations

from pathlib import Path

import pytest

from config.tariffs.bands import clashes
from tests.config.cottage import edited, faults_of, load_text

BANDS = "    bands:\n"
DECLARED = "    announced:\n      kinds: [{name: usual}, {name: costly, at_most: 22}]\n    bands:\n"
REST = "{name: day, rate: 0.305}"
TWO_RESTS = (
    "{name: day, rate: 0.305, kinds: [usual]}\n      - {name: dear, rate: 0.9, kinds: [costly]}"
)


def test_each_kind_has_bands_of_its_own(tmp_path: Path) -> None:
    """A band without kinds is of all; each kind has its own rest of the hours."""
    file = load_text(tmp_path, edited({BANDS: DECLARED, REST: TWO_RESTS}))
    tariff = file.tariffs[0]
    assert [
        (kind, [band.name for band in made.bands or ()], places)
        for kind, made, places in tariff.by_kind
    ] == [
        ("usual", ["night", "peak", "day"], (0, 1, 2)),
        ("costly", ["night", "peak", "dear"], (0, 1, 3)),
    ]
    assert [clashes(made) for _kind, made, _places in tariff.by_kind] == [(), ()]


@pytest.mark.parametrize(
    ("edits", "fault"),
    [
        (
            {BANDS: DECLARED, REST: "{name: day, rate: 0.305, kinds: [usual]}"},
            'name: expected a band that lists "costly" under kinds, got none',
        ),
        (
            {REST: "{name: day, rate: 0.305, kinds: [usual]}"},
            'kinds[0]: expected announced beside the bands, which names the kinds, got "usual"',
        ),
        (
            {BANDS: DECLARED, REST: TWO_RESTS.replace("[costly]", "[costly, blue]")},
            'kinds[1]: expected one of the announced kinds (usual, costly), got "blue"',
        ),
        (
            {BANDS: DECLARED.replace("usual}", "usual, at_most: 300}"), REST: TWO_RESTS},
            "kinds: expected a kind without at_most, days and months, for all other days",
        ),
        (
            {BANDS: DECLARED.replace("usual}", "usual, picked_hours: true}"), REST: TWO_RESTS},
            (
                "picked_hours: expected a kind of days first, since other hours than picked ones"
                " are of it"
            ),
        ),
        (
            {BANDS: DECLARED.replace("kinds:", "until_announced: none\n      kinds:"),
             REST: TWO_RESTS},
            'until_announced: expected dearest, commonest or share, got "none"',
        ),
        (
            {BANDS: DECLARED.replace("kinds:", 'season_begins: "30-02"\n      kinds:'),
             REST: TWO_RESTS},
            'season_begins: expected a date of every year such as "09-01", got "30-02"',
        ),
        (
            {BANDS: DECLARED,
             REST: TWO_RESTS.replace("kinds: [costly]", 'hours: ["07:00-20:00"], kinds: [costly]')},
            "dear",
        ),
    ],
)  # fmt: skip
def test_faults(edits: dict[str, str], fault: str, tmp_path: Path) -> None:
    """Kinds without bands, bands of unknown kinds, no kind for the rest of the days, a gap."""
    path = tmp_path / "house.yaml"
    path.write_text(edited(edits), encoding="utf-8")
    found = faults_of(path)
    if fault == "dear":
        assert any("bands: on days of costly, no band covers" in each for each in found)
    else:
        assert [each.partition(" ")[2] for each in found] == [fault]
