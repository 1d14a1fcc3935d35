"""What a title says: its numbers, and which events are meant."""

from __future__ import annotations

import pytest

from config.events.rules import EventRules, numbers_in, title_of


@pytest.mark.parametrize(
    ("title", "percent", "km"),
    [
        ("Car: airport 80 %", 80.0, None),
        ("Car 80%", 80.0, None),
        ("Auto 85 Prozent", 85.0, None),
        ("Car 120 km", None, 120.0),
        ("Car 1,200 km", None, 1200.0),
        ("Car 100 miles", None, 160.9344),
        ("Car 62,5 % for 90km", 62.5, 90.0),
        ("Car \uff18\uff10\uff05", 80.0, None),  # full-width digits and sign
        ("Car at 8:30, room 12", None, None),
        ("Car, kmart", None, None),
    ],
)
def test_numbers(title: str, percent: float | None, km: float | None) -> None:
    """Percent and distance are read however people write them."""
    found = numbers_in(title)
    assert (found.need_percent, found.uses_km, found.doubt) == (percent, km, None)


@pytest.mark.parametrize(
    ("title", "doubt"),
    [
        ("Car 120 %", "expected at most 100 %, got 120 %"),
        ("Car 50 % or 70 %", "it names more than one percentage"),
        ("Car 9999 km", "expected a distance up to 2000 km, got 9999 km"),
        ("Car 1.2.3 km", "'1.2.3 km' is no number that can be read"),
        ("Car 0.500 km", "'0.500 km' is no number that can be read"),
    ],
)
def test_numbers_that_can_t_be_true(title: str, doubt: str) -> None:
    """They are left out, and the doubt says why."""
    found = numbers_in(title)
    assert (found.need_percent, found.uses_km, found.doubt) == (None, None, doubt)


@pytest.mark.parametrize(
    ("word", "title", "is_meant"),
    [
        ("car", "CAR: sea", True),
        ("car", "Cartoon", False),
        ("car", "with the car.", True),
        ("family-car", "Family car to the lake", True),
        ("straße", "STRASSE", True),
        ("车", "开车去上海", True),
    ],
)
def test_words(word: str, title: str, is_meant: bool) -> None:  # noqa: FBT001 - of the table
    """Whole words count, in any case; in scripts without spaces, anywhere."""
    assert EventRules("c", words=(word,)).matches(title, ()) is is_meant


def test_titles_are_one_printable_line() -> None:
    """Whatever a title holds can be printed and sent."""
    assert title_of("Car\n\x1b[31m to\tthe sea ") == "Car [31m to the sea"
    assert len(title_of("x" * 500)) == 80
