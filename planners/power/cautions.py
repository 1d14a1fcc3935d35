"""Write cautions about loads that run at full current for hours.

Common practice, no source (design, section 10); local wiring rules and a licensed electrician come
first.
"""

from __future__ import annotations

from typing import TYPE_CHECKING

from config.household.equipment import SOCKET_AMPS
from config.household.household_file import WATTS_PER_KW
from planners.power.phases import limits_of

if TYPE_CHECKING:
    from collections.abc import Iterator

    from config.household.equipment import ChargePoint
    from config.household.household_file import HouseholdFile

PORTABLE = 2
"""IEC 61851-1 charging mode of a socket with an in-cable box."""


def cautions(file: HouseholdFile, charge_point: str) -> tuple[str, ...]:
    """Write the cautions about a charge point, the most specific first.

    Parameters
    ----------
    file : HouseholdFile
        The household.
    charge_point : str
        Its name in the file.

    Returns
    -------
    tuple of str
        Whole sentences.
    """
    point = file.charge_points[charge_point]
    sentences = [_about_outlet(point)]
    if point.switching == "on_off":
        sentences.append(
            f"The plug or relay must be rated for {point.max_amps:g} A continuously: feel it for"
            " warmth in the first hours, and have it replaced if it is hot."
        )
    sentences += _about_fuse(file)
    sentences.append(
        "Software and MQTT are no protective device. Local wiring rules and a licensed electrician"
        " decide what may be connected."
    )
    return tuple(sentences)


def is_beyond_socket(point: ChargePoint, amps: float) -> bool:
    """Tell whether a current needs fixed equipment where there is a socket now."""
    return point.charging_mode == PORTABLE and amps > max(SOCKET_AMPS, point.max_amps)


def _about_fuse(file: HouseholdFile) -> Iterator[str]:
    """Say what charging leaves of each phase of the main fuse; of all at once if it is the same."""
    about: dict[tuple[float, float, tuple[str, ...]], list[str]] = {}
    for phase, fuse in file.household.fuse_by_phase.items():
        points = {n: p.max_amps for n, p in file.charge_points.items() if phase in p.phase_names}
        if points:
            drawn = min(fuse, sum(points.values()))
            about.setdefault((fuse, drawn, tuple(points)), []).append(phase)
    for (fuse, drawn, names), phases in about.items():
        on = f" on {' and '.join(phases)}" if len(about) > 1 else ""
        together = f" at {' and '.join(names)} together" if len(names) > 1 else ""
        yield (
            f"The main fuse of {fuse:g} A{on} carries the whole house: with {drawn:g} A for"
            f" charging{together}, {fuse - drawn:g} A are left for everything else."
        )
    home = file.household
    for limit in (each for each in limits_of(file) if each.kind == "power"):
        most = limit.taken({name: point.max_amps for name, point in file.charge_points.items()})
        per_amp = home.nominal_volts / WATTS_PER_KW
        kw, left = min(limit.amps, most) * per_amp, max(0.0, limit.amps - most) * per_amp
        yield (
            f"The {home.max_power_kw:g} kW of the supply carry the whole house: with {kw:.1f} kW"
            f" for charging, {left:.1f} kW are left for everything else."
        )


def _about_outlet(point: ChargePoint) -> str:
    if point.charging_mode != PORTABLE:
        return (
            f"A fixed charge point needs its own circuit, with conductors and breaker sized for"
            f" {point.max_amps:g} A of continuous load by the local code: an electrician's work."
        )
    if point.max_amps > SOCKET_AMPS:
        return (
            f"{point.max_amps:g} A for hours is more than a household socket is good for: the file"
            " says that a licensed electrician has checked this circuit for it. Have it checked"
            " again whenever anything on the circuit changes."
        )
    return (
        f"A household socket carries at most {SOCKET_AMPS} A for hours, whatever is"
        f" marked on it; this one is limited to {point.max_amps:g} A. Use no extension lead, and"
        " call an electrician if the socket gets warm."
    )
