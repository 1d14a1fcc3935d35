"""What a household declares about the carbon that the grid's power causes."""

from __future__ import annotations

from typing import Annotated, Literal

from pydantic import Field

from config.fields.value_types import MOST_MONEY, Expected, FilePath, Model


class Carbon(Model):
    """Where carbon intensities of the grid come from, and what a tonne counts in plans."""

    kind: Annotated[
        Literal["average", "marginal"],
        Expected("average or marginal", ("average", "marginal")),
    ] = Field(
        description="What the intensities are: average, the emissions of all generation shared"
        " among all that is used; or marginal, those of the generation that one more kWh calls up."
    )
    file: FilePath | None = Field(
        None,
        description="CSV file with the columns start (RFC 3339) and grams_per_kwh, perhaps after a"
        " column issued; values from the bus, on the topic <root>/<household>/carbon, count as"
        " well, and the newest wins. Without: from the bus only.",
    )
    price_per_tonne: Annotated[
        float,
        Field(ge=0, le=MOST_MONEY),
        Expected(f"a price from 0 to {MOST_MONEY} {{currency}} per tonne of CO2e"),
    ] = Field(
        0.0,
        description="What plans count for a tonne of CO2e, on top of the rates [currency]; no"
        " account does.",
    )
    step_minutes: (
        Annotated[int, Field(ge=1, le=1440), Expected("a whole number of minutes from 1 to 1440")]
        | None
    ) = Field(
        None,
        description="The longest time that a value holds, if no other follows sooner [minutes]."
        " Without: read off the gaps between values.",
    )
