"""The usual cautions about a load that runs at full current for hours (design, section 10).

Common practice, no source; local wiring rules and a licensed electrician come first.
"""

from __future__ import annotations

from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from config.household.equipment import ChargePoint
    from config.household.household_file import HouseholdFile

HOUSEHOLD_SOCKET_AMPS = 10
"""What a household socket is held to for hours [A]; its marking is no continuous rating."""

PORTABLE = 2
"""IEC 61851-1 charging mode of a socket with an in-cable box."""


def cautions(file: HouseholdFile, charge_point: str) -> tuple[str, ...]:
    """Say what to mind at a charge point, the most particular first.

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
    said = [_of_the_outlet(point)]
    if point.switching == "on_off":
        said.append(
            f"The plug or relay must be rated for {point.max_amps:g} A continuously: feel it for"
            " warmth in the first hours, and have it replaced if it is hot."
        )
    fuse = file.household.main_fuse_amps
    if fuse is not None:
        left = max(0.0, fuse - point.max_amps)
        said.append(
            f"The main fuse of {fuse:g} A carries the whole house: with {point.max_amps:g} A for"
            f" charging, {left:g} A are left for everything else."
        )
    said.append(
        "Software and MQTT are no protective device. Local wiring rules and a licensed electrician"
        " decide what may be connected."
    )
    return tuple(said)


def _of_the_outlet(point: ChargePoint) -> str:
    if point.charging_mode != PORTABLE:
        return (
            f"A fixed charge point has a circuit of its own, with conductors and breaker sized for"
            f" {point.max_amps:g} A of continuous load by the local code: an electrician's work."
        )
    if point.max_amps > HOUSEHOLD_SOCKET_AMPS:
        return (
            f"{point.max_amps:g} A for hours is more than a household socket is good for: the file"
            " says that a licensed electrician has checked this circuit for it. Have it checked"
            " again whenever anything on the circuit changes."
        )
    return (
        f"A household socket carries {HOUSEHOLD_SOCKET_AMPS} A for hours at the most, whatever is"
        f" marked on it; this one is held to {point.max_amps:g} A. No extension lead, and a socket"
        " that gets warm wants an electrician."
    )
