"""Patterns of texts: what stands at each name, and how long finding out may take."""

from __future__ import annotations

import pytest
from hypothesis import given
from hypothesis import strategies as st

from config.wiring.patterns import LONGEST_TEXT, places_of


@pytest.mark.parametrize(
    ("pattern", "text", "found"),
    [
        ("{power}", "2300", {"power": "2300"}),
        ("P={power} W", "P=2300  W", {"power": "2300"}),
        ("P={power} W", "P=2300W", None),
        ("P={power} W", "P=2300 W and more", None),
        ("{}P={power};{}", "x;P=2300;E=1;P=7", {"power": "2300"}),
        ("{power};{energy}", " 2 ; 3\n", {"power": "2", "energy": "3"}),
        ('{"p": {power}}', '{"p": 7}', {"power": "7"}),
        ("OK", "OK", {}),
        ("OK", "OK {}", None),
        ("ab{power}b", "ab", None),
        ("{power} W", "W W", {"power": "W"}),
        ("{power}", "", {"power": ""}),
    ],
)
def test_a_place_takes_what_is_before_the_next_plain_text(
    pattern: str, text: str, found: dict[str, str] | None
) -> None:
    """The pattern describes the whole text."""
    read = places_of(pattern).read(text)
    assert (None if read is None else dict(read)) == found


@given(st.lists(st.text("abc0. ", max_size=5), max_size=4))
def test_what_is_filled_in_is_read_again(values: list[str]) -> None:
    """Any values without the plain texts between them."""
    names = [f"n{index}" for index, _ in enumerate(values)]
    places = places_of("<" + ";".join(f"{{{name}}}" for name in names) + ">")
    read = places.read(places.fill(dict(zip(names, values, strict=True))))
    assert read == [(n, " ".join(v.split())) for n, v in zip(names, values, strict=True)]


def test_no_text_is_tried_in_more_than_one_way() -> None:
    """What makes a regular expression run for years is over at the first text that is missing."""
    places = places_of("{}a" * 100)
    assert places.read("a" * 99) is None
    assert places.read("a" * (LONGEST_TEXT - 1) + "b") is None
    assert places.read("a" * (LONGEST_TEXT + 1)) is None
    assert places.read("a" * 100) == []
