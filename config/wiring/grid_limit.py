"""What a household declares about limits of the grid operator."""

from __future__ import annotations

from typing import Annotated, ClassVar, Self

from pydantic import Field, model_validator

from config.fields.key_problems import KeyProblem, refuse
from config.fields.value_types import Expected, Model
from config.home.grid_limit import MOST_LIMIT_AMPS, MOST_LIMIT_KW, Bounds
from config.wiring.values import YesNoInput


class LimitContact(YesNoInput):
    """A contact of the grid operator, wired to a device that publishes whether it is closed."""

    place: ClassVar[str] = "closed"

    limit_kw: (
        Annotated[
            float, Field(ge=0, le=MOST_LIMIT_KW), Expected(f"a power from 0 to {MOST_LIMIT_KW} kW")
        ]
        | None
    ) = Field(None, description="The limit while it is closed [kW]; either this or limit_amps.")
    limit_amps: (
        Annotated[
            float,
            Field(ge=0, le=MOST_LIMIT_AMPS),
            Expected(f"a current from 0 to {MOST_LIMIT_AMPS} A"),
        ]
        | None
    ) = Field(None, description="The same as a current [A per phase].")

    @model_validator(mode="after")
    def _check(self) -> Self:
        if (self.limit_kw is None) == (self.limit_amps is None):
            got = "neither" if self.limit_kw is None else "both"
            refuse([KeyProblem((), f"expected either limit_kw or limit_amps, got {got}")])
        return self


class GridLimitRules(Model):
    """How limits of the grid operator reach the home, and what they bound."""

    bounds: Annotated[Bounds, Expected("charge_points or home", ("charge_points", "home"))] = Field(
        "charge_points",
        description="What a limit bounds: the sum of the charge points, or home: all that the home"
        " draws.",
    )
    contact: LimitContact | None = Field(
        None,
        description="A contact that limits the home while it is closed. Limits on the topic"
        " <root>/<household>/grid-limit count as well; the lowest holds.",
    )
