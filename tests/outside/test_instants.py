"""Instants of the bus against RFC 3339."""

from __future__ import annotations

import pytest

from adapters.clocks.instants import parse_instant


@pytest.mark.parametrize(
    ("text", "utc"),
    [
        ("1985-04-12T23:20:50.52Z", "1985-04-12T23:20:50.520000+00:00"),
        ("1996-12-19T16:39:57-08:00", "1996-12-20T00:39:57+00:00"),
        ("1937-01-01T12:00:27.87+00:20", "1937-01-01T11:40:27.870000+00:00"),
        # A leap second has no datetime: it is read as the first instant after it.
        ("1990-12-31T23:59:60Z", "1991-01-01T00:00:00+00:00"),
        ("1990-12-31T15:59:60-08:00", "1991-01-01T00:00:00+00:00"),
    ],
)
def test_the_examples_of_the_standard(text: str, utc: str) -> None:
    """RFC 3339, section 5.8: each example, and the instant in UTC that it stands for."""
    assert parse_instant(text).isoformat() == utc


@pytest.mark.parametrize("text", ["1985-04-12t23:20:50z", "1985-04-12T23:20:50-00:00"])
def test_what_the_standard_allows(text: str) -> None:
    """RFC 3339: letters in lower case (5.6), and the unknown local offset (4.3)."""
    assert parse_instant(text).isoformat() == "1985-04-12T23:20:50+00:00"


@pytest.mark.parametrize(
    "text",
    [
        "1985-04-12T23:20:50",  # no offset
        "1985-04-12 23:20:50Z",  # a space
        "1985-04-12T23:20Z",  # no seconds
        "19850412T232050Z",  # ISO 8601 basic form
        "1985-W15-5T23:20:50Z",  # a week date
        "1985-04-12T23:20:50,5Z",  # a comma
        "1985-04-12T23:20:50.Z",  # a point and nothing
        "1985-02-29T23:20:50Z",  # no such day
        "1985-04-12T24:00:00Z",  # hours end at 23
        "1985-04-12T23:20:61Z",
        "1985-04-12T23:20:50+0100",
        "1985-04-12T23:20:50+01:60",
        "1985-04-12T23:20:50+24:00",
        "\u0661985-04-12T23:20:50Z",  # a digit of another script
        "1985-04-12T23:20:50Z\n",
        "",
    ],
)
def test_what_the_grammar_does_not_allow(text: str) -> None:
    """RFC 3339, section 5.6: anything outside date-time is refused, not guessed at."""
    with pytest.raises(ValueError, match="instant"):
        parse_instant(text)


@pytest.mark.parametrize("text", ["0001-01-01T00:00:00+00:01", "9999-12-31T23:59:60Z"])
def test_what_no_datetime_can_hold(text: str) -> None:
    """Instants outside the years 1 to 9999 of UTC are refused as values, not as a crash."""
    with pytest.raises(ValueError, match="no such instant"):
        parse_instant(text)
