"""The state of equipment as its statuses show it, and which charge points speak OCPP."""

from __future__ import annotations

from pathlib import Path

import pytest
from ocpp.v16.enums import ChargePointStatus

from adapters.ocpp_point.point import Equipment, equipment_of
from adapters.ocpp_point.state import PILOT_OF_STATUS, NumberedState
from config.doors.ocpp import OcppListener
from tests.config.cottage import edited, load_text


def test_every_status_of_the_standard_has_a_pilot_state() -> None:
    """The table has the statuses of OCPP 1.6 (as the ocpp package lists them), and no others."""
    assert set(PILOT_OF_STATUS) == {str(each.value) for each in ChargePointStatus}


def test_the_whole_equipment_out_of_use() -> None:
    """Connector 0 is the whole equipment: its faults count, its other statuses do not."""
    state = NumberedState()
    assert state.update_status(1, 0, "Available") is None
    assert state.update_status(1, 1, "Preparing") == "B"
    assert state.update_status(1, 0, "Faulted") == "F"
    assert state.update_status(1, 1, "Charging") == "F"
    assert state.update_status(1, 0, "Available") == "C"


def test_other_connectors_change_nothing() -> None:
    """A second connector of the same equipment is not this charge point."""
    state = NumberedState(transaction=5)
    assert state.update_status(1, 2, "Available") is None
    assert state.transaction == 5


@pytest.mark.parametrize(
    ("status", "transaction"),
    [
        ("Available", None),
        ("Finishing", None),
        ("SuspendedEVSE", 5),
        ("Charging", 5),
        ("Faulted", 5),
    ],
)
def test_statuses_that_end_a_transaction(status: str, transaction: int | None) -> None:
    """A transaction whose end was never reported is over once a status shows it."""
    state = NumberedState(transaction=5)
    state.update_status(1, 1, status)
    assert state.transaction == transaction


def test_equipment_of_a_household(tmp_path: Path) -> None:
    """The server gets each charge point with ocpp as the file declares it."""
    ledger, point = "ledger: {path: ledger.sqlite3}", 'plugged_in: "18:30-07:30"'
    keys = "{identity: KC 4, password_file: secrets/driveway, connector: 2}"
    file = load_text(
        tmp_path,
        edited(
            {
                ledger: f'{ledger}\nocpp: {{listen: "[::1]:8887"}}',
                point: f"{point}\n    ocpp: {keys}",
            }
        ),
    )
    secret = tmp_path / "secrets" / "driveway"
    known = Equipment("driveway", "KC 4", secret, 2, 1, 230.0, 32.0, vehicle_phases=1)
    assert equipment_of(file) == (known,)
    assert file.ocpp is not None
    assert (file.ocpp.host, file.ocpp.port, file.ocpp.is_loopback) == ("::1", 8887, True)


@pytest.mark.parametrize(
    ("listen", "more"),
    [
        ("localhost:1", {}),
        ("127.9.9.9:65535", {}),
        ("0.0.0.0:8887", {"in_the_clear": True}),
        ("192.168.1.4:8887", {"certificate_file": "a.pem", "key_file": "a.key"}),
    ],
)
def test_where_to_listen(listen: str, more: dict[str, object]) -> None:
    """Loopback needs nothing more; other addresses need TLS, or `in_the_clear`."""
    assert OcppListener.model_validate({"listen": listen, **more}).listen == listen


def test_a_transaction_that_has_ended_does_not_run_again() -> None:
    """A last or late sample does not bring it back; a higher number is a new transaction."""
    state = NumberedState(transaction=7)
    state.end_transaction(7)
    for late in (7, 6, "8", True):
        state.learn_transaction(late)
        assert state.transaction is None
    state.learn_transaction(8)
    assert state.transaction == 8
    state.update_status(1, 1, "Finishing")
    state.learn_transaction(8)
    assert state.transaction is None
