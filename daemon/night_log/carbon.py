"""What carbon the energy of nights caused, as recorded; sums of it, and words for both. Pure."""

from __future__ import annotations

from dataclasses import dataclass
from decimal import Decimal
from typing import TYPE_CHECKING, Any, Final

from planners.accounts.accounts import exact_kwh

if TYPE_CHECKING:
    from collections.abc import Iterable, Iterator, Mapping

KINDS: Final = {
    "average": "average",
    "marginal": "marginal; an own roof's energy counts as the grid's",
}
"""What the intensities are, for people."""


@dataclass(frozen=True, slots=True)
class NightCarbon:
    """The carbon of one night's energy, or of several nights'.

    Attributes
    ----------
    kind : str
        ``"average"`` or ``"marginal"``.
    kg : Decimal or None
        What the energy caused [kg CO2e]; None if no intensity was known at all.
    at_once_kg : Decimal or None
        What charging at once would have caused [kg CO2e]; None if it is unknown.
    estimated_wh : int
        Part of the energy whose intensity is an estimate [Wh].
    unknown_wh : int
        Energy of which nothing is known; it is no part of `kg` [Wh].
    """

    kind: str
    kg: Decimal | None
    at_once_kg: Decimal | None
    estimated_wh: int = 0
    unknown_wh: int = 0


def night_carbon(record: Mapping[str, Any]) -> NightCarbon | None:
    """Read the carbon out of a night's record; None if none was recorded."""
    carbon = record.get("carbon")
    if carbon is None:
        return None
    kg, at_once_kg = (_decimal(carbon[key]) for key in ("kg", "at_once_kg"))
    estimated_wh = round(1000 * Decimal(carbon["estimated_kwh"]))
    unknown_wh = round(1000 * Decimal(record["energy_kwh"])) if kg is None else 0
    return NightCarbon(carbon["kind"], kg, at_once_kg, estimated_wh, unknown_wh)


def _decimal(number: Any) -> Decimal | None:  # noqa: ANN401 - a JSON number or null
    return None if number is None else Decimal(number)


def carbon_sums(nights: Iterable[tuple[NightCarbon | None, int]]) -> tuple[NightCarbon, ...]:
    """Add up the carbon of nights, each kind by itself.

    Parameters
    ----------
    nights : iterable of (NightCarbon or None, int)
        Each with its energy [Wh].

    Returns
    -------
    tuple of NightCarbon
        Empty if no night has any recorded. Energy of nights without is unknown energy of the first
        kind; what charging at once would have caused is known only if it is for every night.
    """
    by_kind: dict[str, list[NightCarbon]] = {}
    unknown_wh = 0
    for carbon, wh in nights:
        if carbon is None:
            unknown_wh += wh
        else:
            by_kind.setdefault(carbon.kind, []).append(carbon)
    sums = []
    for kind, found in by_kind.items():
        known = [each for each in found if each.kg is not None]
        at_once = [each.at_once_kg for each in known]
        all_at_once = [kg for kg in at_once if kg is not None]
        sums.append(
            NightCarbon(
                kind=kind,
                kg=sum((each.kg or Decimal(0) for each in known), Decimal(0)) if known else None,
                at_once_kg=sum(all_at_once, Decimal(0))
                if known and len(all_at_once) == len(known)
                else None,
                estimated_wh=sum(each.estimated_wh for each in found),
                unknown_wh=sum(each.unknown_wh for each in found) + unknown_wh,
            )
        )
        unknown_wh = 0
    return tuple(sums)


def carbon_words(carbon: NightCarbon) -> str:
    """Say what energy caused, beside charging at once, and how sure that is."""
    if carbon.kg is None:
        return f"not known: no carbon intensity of the grid is ({KINDS[carbon.kind]})"
    parts = [f"{carbon.kg:.2f} kg CO2e ({KINDS[carbon.kind]})"]
    if carbon.at_once_kg is not None:
        parts.append(f"charging at once would have caused {carbon.at_once_kg:.2f} kg")
    if carbon.estimated_wh:
        parts.append(f"{exact_kwh(carbon.estimated_wh):.2f} kWh of it at estimated intensities")
    if carbon.unknown_wh:
        parts.append(f"of {exact_kwh(carbon.unknown_wh):.2f} kWh more it is not known")
    return "; ".join(parts)


def carbon_lines(carbons: Iterable[NightCarbon]) -> Iterator[tuple[str, str]]:
    """Yield a name and words for each kind of carbon."""
    for each in carbons:
        yield "carbon", carbon_words(each)


def carbon_values(carbon: NightCarbon | None) -> dict[str, Any]:
    """Make the JSON values of a night's carbon, null if none was recorded."""
    return {
        "carbon_kind": carbon.kind if carbon else None,
        "carbon_kg": carbon.kg if carbon else None,
        "at_once_carbon_kg": carbon.at_once_kg if carbon else None,
        "carbon_estimated_kwh": exact_kwh(carbon.estimated_wh) if carbon else None,
    }
