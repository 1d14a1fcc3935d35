"""What equipment says of itself in the variables of OCPP 2's device model.

The names are those of OCPP 2.0.1, part 2, referenced components and variables (from memory).
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from dataclasses import replace
from typing import Any, Final

from adapters.ocpp_point.abilities import Abilities, flag_in, number_in, units_in

_SMART: Final = "SmartChargingCtrlr"
VARIABLES: Final[tuple[tuple[str, ...], ...]] = (
    (_SMART, "Enabled"),
    (_SMART, "Available"),
    (_SMART, "RateUnit"),
    (_SMART, "PeriodsPerSchedule"),
    (_SMART, "ProfileStackLevel"),
    (_SMART, "Entries", "ChargingProfiles"),
    (_SMART, "Phases3to1"),
    ("AuthCtrlr", "Enabled"),
    ("TxCtrlr", "TxStopPoint"),
    ("EVSE", "AvailabilityState"),
)
"""What is asked for: the component, the variable, and its instance."""

SECOND_EVSE: Final = 2
_UNKNOWN: Final = frozenset({"UnknownComponent", "UnknownVariable"})
_MOST_TEXT: Final = 100


def named(variable: tuple[str, ...]) -> dict[str, Any]:
    """Return how a variable is named in a request."""
    component, name, *instance = variable
    found: dict[str, Any] = {"component": {"name": component}, "variable": {"name": name}}
    if component == "EVSE":
        # Whether there is a second one: then a limit of all is not one of the charge point.
        found["component"]["evse"] = {"id": SECOND_EVSE}
    if instance:
        # The present number says how many are installed; its highest value how many may be.
        found["variable"]["instance"] = instance[0]
        found["attribute_type"] = "MaxSet"
    return found


def abilities_of(results: Iterable[object], earlier: Abilities) -> Abilities:
    """Read answers to GetVariables.

    Parameters
    ----------
    results
        The list `getVariableResult`, its keys in snake case. What can't be read counts as not said.
    earlier
        What was known before: what has been accepted and refused stays.

    Returns
    -------
    Abilities
        What the equipment says of itself now.
    """
    found = dict(_read(results))
    said = {key: value for key, (status, value) in found.items() if status == "Accepted"}
    flags = [flag_in(said.get((_SMART, name))) for name in ("Enabled", "Available")]
    smart = False if False in flags else (True if True in flags else None)
    if found.get((_SMART, "Enabled"), ("", ""))[0] == "UnknownComponent":
        smart = False
    second = found.get(("EVSE", "AvailabilityState"), ("", ""))[0]
    points = said.get(("TxCtrlr", "TxStopPoint"), "")
    return replace(
        earlier,
        answered=True,
        limits_current=smart,
        units=tuple(units_in(said.get((_SMART, "RateUnit"), ""))) or earlier.units,
        most_periods=number_in(said.get((_SMART, "PeriodsPerSchedule")), least=1),
        highest_level=number_in(said.get((_SMART, "ProfileStackLevel")), least=0),
        most_profiles=number_in(said.get((_SMART, "Entries")), least=1),
        connectors={"Accepted": SECOND_EVSE}.get(second, 1 if second in _UNKNOWN else None),
        switches_phases=flag_in(said.get((_SMART, "Phases3to1"))),
        asks_who=flag_in(said.get(("AuthCtrlr", "Enabled"))),
        pause_ends="energytransfer" in points.lower() if points else None,
    )


def _read(results: Iterable[object]) -> Iterable[tuple[tuple[str, str], tuple[str, str]]]:
    """Yield component and variable, and the status and value of each."""
    for each in results:
        if not isinstance(each, Mapping):
            continue
        component, variable = each.get("component"), each.get("variable")
        if isinstance(component, Mapping) and isinstance(variable, Mapping):
            key = str(component.get("name")), str(variable.get("name"))
            value = str(each.get("attribute_value", ""))[:_MOST_TEXT]
            yield key, (str(each.get("attribute_status")), value)
