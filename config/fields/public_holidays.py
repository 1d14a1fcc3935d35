"""List public holidays by ISO 3166 code.

Only this module imports ``holidays``, and only when somebody asks for dates:
`config.fields.holiday_codes` says what that import costs.
"""

from __future__ import annotations

import re
from functools import cache
from typing import TYPE_CHECKING

from config.fields.holiday_codes import HOLIDAY_CODES

if TYPE_CHECKING:
    from datetime import date

_ISO_3166 = re.compile(r"(?P<country>[A-Z]{2})(-(?P<part>[A-Z0-9]{1,3}))?", re.ASCII)
_PROBE_YEAR = 2026


@cache
def holiday_dates(code: str, year: int) -> frozenset[date]:
    """List the public holidays of a country or a part of one.

    Parameters
    ----------
    code : str
        ISO 3166-1 alpha-2 or ISO 3166-2 code: ``"NZ"``, ``"NZ-AUK"``, ``"GB-ENG"``.
    year : int
        The year of the dates.

    Returns
    -------
    frozenset of date
        Local dates, days in lieu included.

    Raises
    ------
    KeyError
        The library has no calendar for that code.
    """
    parts = _ISO_3166.fullmatch(code)
    if parts is None:
        raise KeyError(code)
    import holidays  # noqa: PLC0415 - see the module's docstring

    try:
        found = holidays.country_holidays(parts["country"], subdiv=parts["part"], years=year)
    except NotImplementedError:
        raise KeyError(code) from None
    return frozenset(found)


def known_code(code: str) -> bool:
    """Tell whether `holiday_dates` knows a code."""
    if code in HOLIDAY_CODES:
        return True
    try:
        holiday_dates(code, _PROBE_YEAR)
    except KeyError:
        return False
    return True
