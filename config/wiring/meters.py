"""The meters of the home that have topics of their own."""

from __future__ import annotations

from typing import Annotated, Self

from pydantic import Field, model_validator

from config.fields.key_problems import KeyProblem, refuse
from config.fields.value_types import Flag, Model
from config.wiring.values import CurrentInput, PowerInput


class LoadMeter(Model):
    """A meter with its own topics that shows what the home draws."""

    phases: Annotated[tuple[CurrentInput, ...], Field(strict=False)] = Field(
        description="Where its currents are published: one, which then is the highest, or those of "
        "L1, L2 and L3."
    )
    includes_charge_points: Flag = Field(
        default=False, description="Whether the charge points' own current is part of them."
    )

    @model_validator(mode="after")
    def _check(self) -> Self:
        if len(self.phases) not in {1, 3}:
            got = f"expected one current, or three: L1, L2 and L3; got {len(self.phases)}"
            refuse([KeyProblem(("phases",), got)])
        return self


class GridMeter(Model):
    """A meter with its own topics that shows what flows between the home and the grid."""

    power: Annotated[tuple[PowerInput, ...], Field(strict=False)] = Field(
        description="Where its power is published: one, the sum of the phases, or those of L1, L2"
        " and L3. What the home takes is positive, what it gives is negative; scale: -1 turns a"
        " meter round that has it the other way."
    )
    export: Annotated[tuple[PowerInput, ...], Field(strict=False)] | None = Field(
        None,
        description="For a meter that shows export apart: where, as often as power, which then is"
        " import alone.",
    )

    @model_validator(mode="after")
    def _check(self) -> Self:
        if len(self.power) not in {1, 3}:
            got = f"expected one power, or three: L1, L2 and L3; got {len(self.power)}"
            refuse([KeyProblem(("power",), got)])
        if self.export is not None and len(self.export) != len(self.power):
            got = f"expected {len(self.power)}, as many as power; got {len(self.export)}"
            refuse([KeyProblem(("export",), got)])
        return self
