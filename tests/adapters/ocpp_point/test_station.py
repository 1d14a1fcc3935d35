"""What messages of OCPP 2 about a transaction show, also late, twice, or out of order."""

from __future__ import annotations

from datetime import UTC, datetime, timedelta
from typing import Any

import pytest
from ocpp.v201.enums import ChargingStateEnumType, ConnectorStatusEnumType

from adapters.ocpp_point.state import PILOT_OF_STATUS
from adapters.ocpp_point.station import MOST_CONNECTORS, StationState, TransactionEvent

NOW = datetime(2026, 6, 3, 9, 0, tzinfo=UTC)
MINUTE = timedelta(minutes=1)


def event(kind: Any, name: str, minute: int, number: int, state: str = "", **more: Any) -> Any:  # noqa: ANN401 - of the record
    at, shown = NOW + minute * MINUTE, state or None
    return TransactionEvent(kind, name, at, number, charging_state=shown, **more)


def charging() -> StationState:
    """Return a station that charges in transaction a."""
    state = StationState()
    state.take_connector(1, "Occupied")
    state.take(event("Started", "a", 0, 0, "EVConnected"))
    state.take(event("Updated", "a", 1, 1, "Charging", is_authorized=True))
    return state


def test_a_transaction_from_plug_in_to_its_end() -> None:
    """One that waits for somebody to begin does not run; its end leaves the vehicle plugged in."""
    state = StationState()
    assert state.take_connector(1, "Occupied") == "Preparing"
    assert state.take(event("Started", "a", 0, 0, "EVConnected")) == "Preparing"
    assert not state.runs(1)
    assert state.take(event("Updated", "a", 1, 1, "EVConnected", is_authorized=True)) == "Preparing"
    assert state.runs(1)
    assert state.take(event("Updated", "a", 2, 2, "Charging")) == "Charging"
    assert state.take(event("Updated", "a", 3, 3)) is None
    assert state.take(event("Ended", "a", 4, 4, "SuspendedEVSE")) == "Finishing"
    assert (state.transaction, state.last_transaction) == (None, "a")


@pytest.mark.parametrize("each", ChargingStateEnumType)
def test_every_charging_state_has_a_pilot_state(each: ChargingStateEnumType) -> None:
    """The states are those of OCPP 2.0.1, as the ocpp package lists them."""
    status = StationState().take(event("Started", "a", 0, 0, each.value))
    assert status is not None
    assert status in PILOT_OF_STATUS


@pytest.mark.parametrize("each", ConnectorStatusEnumType)
def test_every_connector_status_has_a_pilot_state(each: ConnectorStatusEnumType) -> None:
    """The same of the statuses of connectors."""
    assert StationState().take_connector(1, each.value) in PILOT_OF_STATUS


LATE = {
    "the same again": event("Updated", "a", 1, 1, "EVConnected"),
    "an earlier one of it": event("Started", "a", 0, 0, "EVConnected"),
    "one before it, stored": event("Updated", "z", -5, 7, "Charging", is_offline=True),
    "the end of one before it": event("Ended", "z", 5, 8, "EVConnected"),
}


@pytest.mark.parametrize("late", LATE)
def test_what_comes_late_changes_nothing(late: str) -> None:
    """Messages that were stored, or whose answer was lost, come after later ones."""
    state = charging()
    assert state.take(LATE[late]) is None
    assert (state.transaction, state.charging_state) == ("a", "Charging")


def test_a_transaction_that_has_ended_does_not_run_again() -> None:
    """Neither by a late message, nor because another one has taken its place."""
    state = charging()
    state.take(event("Ended", "a", 2, 2, has_left=True))
    assert state.take(event("Updated", "a", 3, 3, "Charging")) is None
    state.take(event("Started", "b", 4, 0, "Charging"))
    state.take(event("Started", "c", 5, 0, "Charging"))
    assert state.take(event("Updated", "b", 6, 1, "SuspendedEV")) is None
    assert state.transaction == "c"


def test_a_station_that_does_not_count() -> None:
    """The number is the same each time: then the instant tells what is new."""
    state = charging()
    assert state.take(event("Updated", "a", 5, 0, "SuspendedEV")) == "SuspendedEV"
    assert state.take(event("Updated", "a", 4, 0, "Charging")) is None
    assert state.take(event("Ended", "a", 6, 0, has_left=True)) == "Available"


def test_an_evse_with_two_connectors() -> None:
    """It is occupied if one of them is, and faulty if none is left."""
    state = StationState()
    state.take_connector(1, "Available")
    assert state.take_connector(2, "Occupied") == "Preparing"
    assert state.take_connector(1, "Faulted") == "Preparing"
    assert state.take_connector(2, "Faulted") == "Faulted"
    for number in range(1000):
        state.take_connector(number, "Occupied")
    assert len(state.connectors) <= MOST_CONNECTORS


def test_no_vehicle_ends_what_the_transaction_did() -> None:
    """Its end may come later, or never: a start then begins another."""
    state = charging()
    state.statuses[1] = state.take_connector(1, "Available")
    assert state.statuses[1] == "Available"
    assert not state.runs(1)
    assert state.take_connector(1, "Occupied") == "Preparing"


def test_transactions_of_another_evse() -> None:
    """Their later messages name no EVSE."""
    state = StationState()
    assert not state.belongs("a", 2, 1)
    assert not state.belongs("a", None, 1)
    assert state.belongs("b", None, 1)
    state.take(event("Started", "b", 0, 0, is_authorized=True))
    assert not state.belongs("b", 2, 1)
    assert not state.runs(1)
    for number in range(1000):
        state.belongs(f"{number}", 2, 1)
    assert len(state.elsewhere) == state.elsewhere.maxlen
