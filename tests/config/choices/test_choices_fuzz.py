"""No choices file can make the loader fail in any other way than by naming faults."""

from __future__ import annotations

from copy import deepcopy
from pathlib import Path
from typing import Any

import yaml
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from config.choices.loading import load_choices
from config.files.errors import FileError
from tests.config.choices.cases import CHOICES
from tests.config.household.test_fuzz import PIECES, trees

TREE = yaml.safe_load(CHOICES)
PLACES = [
    *(("appraisal", key) for key in ("year", "currency", "public_holidays", "prices_known_at")),
    *(
        ("driving", key)
        for key in (*TREE["driving"], "distance_per_year", "days", "ledger", "seed")
    ),
    *(("driving", "trips", 0, key) for key in ("days", "date", "distance", "leaves", "returns")),
    *(("choices", 1, key) for key in (*TREE["choices"][1], "colour")),
    *(("choices", 1, "tariff", key) for key in ("bands", "prices", "valid_from", "tiers_per")),
    *(("choices", 0, "charge_point", key) for key in ("max_amps", "wiring", "ocpp", "plugged_in")),
    *((key,) for key in (*TREE, "colour")),
]
odd_distances = st.from_regex(r"[0-9 ,.']{0,12} ?(km|mi|miles?|KM|k)?( a year)?", fullmatch=True)
fuzzed = settings(
    max_examples=2 * settings().max_examples,
    suppress_health_check=[HealthCheck.function_scoped_fixture, HealthCheck.too_slow],
)


def hold(text: str, folder: Path) -> None:
    """Check that a text is a choices file, or has faults with places that a terminal can print."""
    path = folder / "choices.yaml"
    path.write_bytes(text.encode(errors="surrogatepass"))
    places, lines = _outcome(path)
    assert all(place >= (1, 1) for place in places)
    assert all(line.startswith(f"{path}:") and line.isprintable() for line in lines), lines
    assert not any("Input should" in line for line in lines), lines


def _outcome(path: Path) -> tuple[list[tuple[int, int]], list[str]]:
    """Load a file, and list the places of its faults and their messages; none if it is good."""
    try:
        load_choices(path)
    except FileError as error:
        return [(fault.line, fault.column) for fault in error.faults], str(error).split("\n")
    return [], []


@fuzzed
@given(place=st.sampled_from(PLACES), value=st.one_of(trees, odd_distances), delete=st.booleans())
def test_random_values(place: Any, value: Any, delete: bool, tmp_path: Path) -> None:  # noqa: ANN401, FBT001 - drawn
    """The file with a value of any kind in any place, or a key taken away."""
    tree = deepcopy(TREE)
    node = tree
    for step in place[:-1]:
        node = node[step]
    node.pop(place[-1], None)
    node.update({} if delete else {place[-1]: value})
    hold(yaml.safe_dump(tree, allow_unicode=True), tmp_path)


@fuzzed
@given(
    start=st.integers(0, len(CHOICES)),
    length=st.integers(0, 12),
    piece=st.one_of(st.sampled_from(PIECES), st.text(max_size=4)),
)
def test_random_edits(start: int, length: int, piece: str, tmp_path: Path) -> None:
    """The file with a few characters replaced by anything."""
    hold(CHOICES[:start] + piece + CHOICES[start + length :], tmp_path)
