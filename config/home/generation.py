"""What a household declares about its own solar roofs, and about forecasts of what they give."""

from __future__ import annotations

from typing import TYPE_CHECKING, Annotated, Final, Literal, Self

from pydantic import Field, model_validator

from config.fields.key_problems import KeyProblem, refuse
from config.fields.value_types import Expected, FilePath, Model

if TYPE_CHECKING:
    from collections.abc import Iterator

ROOF: Final = "roof"
"""The line of an account for what the own roofs gave; no band beside them may have its name."""

_Kw = Annotated[float, Field(ge=0.1, le=1000), Expected("a power from 0.1 to 1000 kW")]

USUAL_LOSSES_PERCENT = 14.0
"""Wiring, dirt, mismatch and age: what A. Dobos, "PVWatts Version 5 Manual" (NREL/TP-6A20-62641,
2014), takes unless told otherwise (14.08 %)."""

ABOVE_PEAK = 1.3
"""Cold air and bright clouds may lift a roof above its peak power, never by this factor (common
practice, no source)."""


class Roof(Model):
    """Solar modules that face one way."""

    peak_kw: _Kw = Field(description="Peak power of its modules [kW].")
    tilt_degrees: Annotated[
        float, Field(ge=0, le=90), Expected("an angle from 0 to 90 degrees")
    ] = Field(description="Its tilt [degrees]: 0 is level, 90 a wall.")
    azimuth_degrees: Annotated[
        float,
        Field(ge=0, le=360),
        Expected("a direction from 0 to 360 degrees, clockwise from north"),
    ] = Field(
        description="Where it faces, clockwise from north [degrees]: 0 is north, 90 east, 180"
        " south, 270 west."
    )
    losses_percent: Annotated[float, Field(ge=0, le=60), Expected("a percentage from 0 to 60")] = (
        Field(
            USUAL_LOSSES_PERCENT,
            description="What is lost between its modules and the home's supply [percent].",
        )
    )


class ForecastSource(Model):
    """Where forecasts of the home's generation come from."""

    file: FilePath | None = Field(
        None,
        description="CSV file with the columns start (RFC 3339) and kw or watts, perhaps after a"
        " column issued; forecasts from the bus, on the topic <root>/<household>/forecast, count as"
        " well, and the newest wins. Without: from the bus only.",
    )
    step_minutes: (
        Annotated[int, Field(ge=1, le=1440), Expected("a whole number of minutes from 1 to 1440")]
        | None
    ) = Field(
        None,
        description="The longest time that a value holds, if no other follows sooner [minutes]."
        " Without: read off the gaps between values.",
    )


class Generation(Model):
    """What the home's own solar roofs are expected to give."""

    latitude: (
        Annotated[float, Field(ge=-90, le=90), Expected("a latitude from -90 to 90 degrees")] | None
    ) = Field(None, description="Where the home is, north of the equator [degrees].")
    longitude: (
        Annotated[float, Field(ge=-180, le=180), Expected("a longitude from -180 to 180 degrees")]
        | None
    ) = Field(None, description="Where the home is, east of Greenwich [degrees].")
    roofs: Annotated[tuple[Roof, ...], Field(strict=False, max_length=20)] = Field(
        (), description="Its roofs; what a clear sky gives is computed from them."
    )
    inverter_kw: _Kw | None = Field(
        None, description="The most that the inverters let through together [kW]."
    )
    forecast: ForecastSource | None = Field(
        None, description="Forecasts of what the roofs will give, if there are any."
    )
    when_too_little: Annotated[
        Literal["pause", "go_on"], Expected("pause or go_on", ("pause", "go_on"))
    ] = Field(
        "pause",
        description="What a charge that follows a grid meter does while the roofs leave less than"
        " min_amps: pause, or go_on at min_amps with the grid's help.",
    )
    trust_percent: Annotated[float, Field(ge=0, le=100), Expected("a percentage from 0 to 100")] = (
        Field(
            80.0,
            description="So much of what is expected is what plans count on [percent]; with 0 they"
            " count on no sun.",
        )
    )

    @property
    def place(self) -> tuple[float, float] | None:
        """Latitude and longitude, if they are declared [degrees]."""
        if self.latitude is None or self.longitude is None:
            return None
        return self.latitude, self.longitude

    @property
    def forecast_step(self) -> int | None:
        """The longest time that a value of a forecast holds, if it is declared [min]."""
        return None if self.forecast is None else self.forecast.step_minutes

    @property
    def most_kw(self) -> float | None:
        """The most that it can give; None if nothing tells [kW]."""
        limits = (self.inverter_kw, sum(roof.peak_kw for roof in self.roofs))
        return min((each * ABOVE_PEAK for each in limits if each), default=None)

    @model_validator(mode="after")
    def _check(self) -> Self:
        refuse(tuple(self._problems()))
        return self

    def _problems(self) -> Iterator[KeyProblem]:
        if not self.roofs and self.forecast is None:
            yield KeyProblem((), "expected roofs, or a forecast, or both")
        pair: tuple[Literal["latitude"], Literal["longitude"]] = ("latitude", "longitude")
        for key, other in (pair, pair[::-1]):
            if getattr(self, key) is None and (self.roofs or getattr(self, other) is not None):
                why = "where the sun stands depends on it"
                yield KeyProblem(
                    (), f"expected {key} beside {'roofs' if self.roofs else other}: {why}"
                )
