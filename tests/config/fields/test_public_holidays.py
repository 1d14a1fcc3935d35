"""Public holidays are found by ISO 3166 code."""

from __future__ import annotations

import subprocess
import sys
from datetime import date
from pathlib import Path

import holidays
import pytest

from config.fields.holiday_codes import HOLIDAY_CODES
from config.fields.public_holidays import holiday_dates, known_code


def test_country() -> None:
    """New Zealand's Waitangi Day is 6 February (Public Holidays Act, from memory)."""
    assert date(2026, 2, 6) in holiday_dates("NZ", 2026)
    assert date(2026, 2, 7) not in holiday_dates("NZ", 2026)


def test_part_of_a_country() -> None:
    """St Andrew's Day is a holiday in Scotland and not in England (from memory)."""
    assert date(2027, 11, 30) in holiday_dates("GB-SCT", 2027)
    assert date(2027, 11, 30) not in holiday_dates("GB-ENG", 2027)


@pytest.mark.parametrize("code", ["NZ", "NZ-AUK", "GB-ENG", "DE-BY", "NO"])
def test_known(code: str) -> None:
    """Codes of countries and of their parts are known."""
    assert known_code(code)


@pytest.mark.parametrize(
    "code", ["", "XX", "nz", "NZL", "NZ-", "NZ-XXX", "NZ-AUK-1", "../NZ", "N Z"]
)
def test_unknown(code: str) -> None:
    """Anything that is no such code is unknown, and has no dates."""
    assert not known_code(code)
    with pytest.raises(KeyError):
        holiday_dates(code, 2026)


def test_listed_codes_have_calendars() -> None:
    """Each code that is accepted without asking the library is one that the library has."""
    supported = holidays.list_supported_countries(include_aliases=False)
    codes = {f"{country}-{part}" for country, parts in supported.items() for part in parts}
    assert HOLIDAY_CODES - codes - set(supported) == set()


def test_loading_needs_no_holidays() -> None:
    """A household without a band for holidays is loaded without the library (12 MB, 0.1 s)."""
    program = (
        "import pathlib, sys; from config.household.loading import load_household; "
        "load_household(pathlib.Path(sys.argv[1])); sys.exit('holidays' in sys.modules)"
    )
    example = Path(__file__).parents[3] / "config" / "examples" / "kowhai.yaml"
    done = subprocess.run(
        [sys.executable, "-c", program, example], cwd=example.parents[2], check=False
    )
    assert done.returncode == 0
