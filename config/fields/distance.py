"""Read distances as people write them: a number of kilometres or miles."""

from __future__ import annotations

import re
from typing import Annotated, Literal

from pydantic import AfterValidator, BeforeValidator
from pydantic_core import PydanticCustomError
from typing_extensions import override

from config.fields.value_types import Expected, Model, json_kind

KM_PER_MILE = 1.609344
"""The international mile (NIST Special Publication 811, appendix B.8)."""

_DISTANCE = re.compile(r"([0-9]{1,9}(?:\.[0-9]{1,9})?) *(km|mi|mile|miles)", re.ASCII)
_LONGEST_TRIP_KM = 3000
_LONGEST_YEAR_KM = 500_000


class Distance(Model):
    """A distance and the unit in which the file gives it.

    Attributes
    ----------
    km : float
        The distance [km].
    unit : str
        "km" or "mile".
    """

    km: float
    unit: Literal["km", "mile"]

    @override
    def __str__(self) -> str:
        if self.unit == "km":
            return f"{self.km:g} km"
        miles = f"{self.km / KM_PER_MILE:g}"
        return f"{miles} {'mile' if miles == '1' else 'miles'}"


def _distance_of(value: object) -> object:
    if not isinstance(value, str):
        return value
    parts = _DISTANCE.fullmatch(value)
    if parts is None:
        raise ValueError(value)
    number, is_km = float(parts[1]), parts[2] == "km"
    return Distance(km=number if is_km else number * KM_PER_MILE, unit="km" if is_km else "mile")


def _at_most(most_km: int) -> AfterValidator:
    def validate(distance: Distance) -> Distance:
        if not 0 < distance.km <= most_km:
            raise PydanticCustomError(
                "expected", "expected a distance above 0, at most {most} km", {"most": most_km}
            )
        return distance

    return AfterValidator(validate)


_WITH_UNIT = (
    BeforeValidator(_distance_of),
    json_kind("string", pattern=r"^\d{1,9}(\.\d{1,9})? *(km|mi|miles?)$"),
)
TripDistance = Annotated[
    Distance,
    *_WITH_UNIT,
    Expected('a distance with its unit such as "45 km" or "28 miles"'),
    _at_most(_LONGEST_TRIP_KM),
]
YearDistance = Annotated[
    Distance,
    *_WITH_UNIT,
    Expected('a distance with its unit such as "24000 km" or "15000 miles"'),
    _at_most(_LONGEST_YEAR_KM),
]
