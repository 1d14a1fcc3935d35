"""Who may connect over OCPP-J 1.6: paths, passwords, subprotocol, TLS, newer connections."""

from __future__ import annotations

import json
import ssl
import sys
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import replace
from datetime import UTC, datetime
from pathlib import Path
from threading import Event
from typing import Any

import pytest
from websockets.exceptions import ConnectionClosed, InvalidMessage, InvalidStatus
from websockets.sync.client import ClientConnection, connect
from websockets.typing import Subprotocol

from adapters.clocks.clock import VirtualClock
from adapters.ocpp.server import OcppServer
from adapters.ocpp_point.events import (
    EquipmentConnected,
    EquipmentDisconnected,
    EquipmentEvent,
    OnEquipmentEvent,
)
from adapters.ocpp_point.point import Equipment
from adapters.ocpp_point.transaction_numbers import transaction_ids_from
from config.files.errors import BusError, FileError
from tests.support.certificates import Authority, Signed
from tests.support.ocpp_equipment import PASSWORD, EventRecorder, authorization, equipment_thread
from tests.support.waiting import patience, wait_until

NOW = datetime(2026, 6, 3, 9, 0, tzinfo=UTC)
STANDARD = json.loads((Path(__file__).parents[2] / "data" / "outside_ocpp.json").read_text())
OCPP = [Subprotocol("ocpp1.6")]


def secret(folder: Path, name: str, password: str = PASSWORD) -> Path:
    path = folder / name
    path.write_text(f"{password}\n")
    path.chmod(0o600)
    return path


def point(folder: Path, name: str, identity: str, password: str = PASSWORD) -> Equipment:
    return Equipment(name, identity, secret(folder, name, password), 1, 1, 230.0, 32.0)


@contextmanager
def serving(
    *equipment: Equipment,
    recorder: OnEquipmentEvent | None = None,
    **more: Any,  # noqa: ANN401
) -> Iterator[int]:
    server = OcppServer(equipment, recorder or EventRecorder(), clock=VirtualClock(NOW), **more)
    try:
        yield server.start("127.0.0.1", 0)
    finally:
        server.stop()


def open_at(
    port: int, path: str, headers: object, subprotocols: list[Subprotocol] | None = OCPP
) -> ClientConnection:
    return connect(
        f"ws://127.0.0.1:{port}{path}",
        subprotocols=subprotocols,
        additional_headers=headers,  # type: ignore[arg-type]  # lists of pairs too
        proxy=None,
    )


def refusal(port: int, path: str, headers: object) -> tuple[int, str | None]:
    with pytest.raises(InvalidStatus) as caught:
        open_at(port, path, headers)
    response = caught.value.response
    return response.status_code, response.headers.get("WWW-Authenticate")


def test_the_standards_example_of_authentication(tmp_path: Path) -> None:
    """OCPP-J 1.6, section 6.2.2: the header of AL1000 is accepted with that key in the file."""
    example = STANDARD["authorization"]
    with serving(point(tmp_path, "driveway", example["identity"], example["key"])) as port:
        header = {"Authorization": example["header"]}
        with open_at(port, "/AL1000", header) as connection:
            assert connection.subprotocol == "ocpp1.6"


def test_a_key_may_be_sent_as_it_is_written(tmp_path: Path) -> None:
    """Equipment that sends the 40 digits themselves is accepted too."""
    key = STANDARD["authorization"]["key"]
    with (
        serving(point(tmp_path, "driveway", "AL1000", key)) as port,
        open_at(port, "/AL1000", authorization("AL1000", key)) as connection,
    ):
        assert connection.subprotocol == "ocpp1.6"


def test_the_standards_example_of_a_path(tmp_path: Path) -> None:
    """OCPP-J 1.6, section 3.1.1: an identity with a space comes percent-encoded."""
    example = STANDARD["path"]
    with serving(point(tmp_path, "driveway", example["identity"])) as port:
        header = authorization(example["identity"], PASSWORD)
        with open_at(port, example["path"], header) as connection:
            assert connection.subprotocol == "ocpp1.6"


def test_the_subprotocol_is_chosen(tmp_path: Path) -> None:
    """OCPP-J 1.6, section 3.1.3: of what is offered, ocpp1.6 is chosen."""
    example = STANDARD["offered_subprotocols"]
    offered = [Subprotocol(each) for each in reversed(example["header"].split(", "))]
    with (
        serving(point(tmp_path, "driveway", "driveway-1")) as port,
        open_at(port, "/driveway-1", authorization("driveway-1", PASSWORD), offered) as connection,
    ):
        assert connection.subprotocol == example["chosen"]


@pytest.mark.parametrize(
    ("offered", "version", "chosen"),
    [
        ("ocpp1.6 ocpp2.0.1", None, "ocpp2.0.1"),
        ("ocpp2.0.1 ocpp2.1 ocpp1.6", None, "ocpp2.1"),
        ("ocpp2.0 ocpp1.6", None, "ocpp1.6"),
        ("ocpp2.0.1 ocpp1.6", "1.6", "ocpp1.6"),
        ("ocpp1.6", "2.0.1", None),
    ],
)
def test_the_best_version_is_chosen(
    offered: str, version: str | None, chosen: str | None, tmp_path: Path
) -> None:
    """Of those that both speak, whatever their order; or the one that the household file names."""
    declared = replace(point(tmp_path, "driveway", "driveway-1"), version=version)
    header = authorization("driveway-1", PASSWORD)
    protocols = [Subprotocol(each) for each in offered.split()]
    with (
        serving(declared) as port,
        open_at(port, "/driveway-1", header, protocols) as connection,
    ):
        assert connection.subprotocol == chosen


@pytest.mark.parametrize("offered", [None, [Subprotocol("ocpp1.5"), Subprotocol("mqtt")]])
def test_other_subprotocols_are_refused_politely(
    offered: list[Subprotocol] | None, tmp_path: Path
) -> None:
    """OCPP-J 1.6, section 3.2: the handshake is completed without one, then the connection ends."""
    recorder = EventRecorder()
    with serving(point(tmp_path, "driveway", "driveway-1"), recorder=recorder) as port:
        header = authorization("driveway-1", PASSWORD)
        with open_at(port, "/driveway-1", header, offered) as connection:
            assert connection.subprotocol is None
            with pytest.raises(ConnectionClosed):
                connection.recv(timeout=patience(5))
            assert connection.close_reason == "expected ocpp2.1 or ocpp2.0.1 or ocpp1.6"
    assert recorder.events == []


@pytest.mark.parametrize(
    "headers",
    [
        {},
        authorization("driveway-1", "wrong"),
        authorization("driveway-1", ""),
        authorization("driveway-1", PASSWORD + "\n"),
        authorization("driveway-1", b"\xff\xfe"),
        authorization("carport-1", PASSWORD),
        authorization("carport-1", "of the carport"),
        {"Authorization": "Bearer " + PASSWORD},
        {"Authorization": "Basic !!!!"},
        {"Authorization": "Basic ZHJpdmV3YXktMQ=="},  # no colon
        {"Authorization": "Basic"},
        {"Authorization": "Basic ZHJpdmV3YXktMQ"},  # cut off
        [*authorization("driveway-1", PASSWORD).items()] * 2,
    ],
)
def test_a_wrong_password(
    headers: object, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    """A wrong password gets 401; no log shows the right one."""
    recorder = EventRecorder()
    carport = point(tmp_path, "carport", "carport-1", "of the carport")
    with serving(point(tmp_path, "driveway", "driveway-1"), carport, recorder=recorder) as port:
        wanted = (401, 'Basic realm="charge points", charset="UTF-8"')
        assert refusal(port, "/driveway-1", headers) == wanted
    assert recorder.events == []
    printed = capsys.readouterr()
    assert "wrong password" in printed.out + printed.err
    assert PASSWORD not in printed.out + printed.err


@pytest.mark.parametrize(
    "path", ["/", "/carport-1", "/driveway-1/", "/driveway-1/ocpp", "/ocpp?/driveway-1"]
)
def test_an_unknown_identity(path: str, tmp_path: Path) -> None:
    """OCPP-J 1.6, section 3.2: a path of no charge point gets 404, whatever the password."""
    with serving(point(tmp_path, "driveway", "driveway-1")) as port:
        assert refusal(port, path, authorization("driveway-1", PASSWORD))[0] == 404


@pytest.mark.parametrize("path", ["/ocpp/driveway-1", "/a/b/c/driveway-1", "/x/driveway%2D1?y=/z"])
def test_an_address_may_have_a_path(path: str, tmp_path: Path) -> None:
    """OCPP-J 1.6, section 3.1.1: equipment appends its identity to the address it was given."""
    with serving(point(tmp_path, "driveway", "driveway-1")) as port:
        assert refusal(port, path, authorization("driveway-1", "wrong"))[0] == 401
        with open_at(port, path, authorization("driveway-1", PASSWORD)) as connection:
            assert connection.subprotocol == "ocpp1.6"


@pytest.mark.parametrize(("network", "is_let_in"), [("127.0.0.0/30", True), ("10.1.1.1", False)])
def test_equipment_that_can_send_no_password(
    network: str,
    is_let_in: bool,  # noqa: FBT001 - a case
    tmp_path: Path,
) -> None:
    """It gets in from the addresses that the file names, and from no other."""
    driveway = replace(point(tmp_path, "driveway", "driveway-1"), password_file=None)
    with serving(replace(driveway, networks=(network,))) as port:
        if is_let_in:
            with open_at(port, "/driveway-1", {}) as connection:
                assert connection.subprotocol == "ocpp1.6"
        else:
            assert refusal(port, "/driveway-1", {})[0] == 401
            assert refusal(port, "/driveway-1", authorization("driveway-1", PASSWORD))[0] == 401


def test_a_password_still_counts_from_elsewhere(tmp_path: Path) -> None:
    """Equipment with both may connect from another address, with its password."""
    driveway = replace(point(tmp_path, "driveway", "driveway-1"), networks=("10.1.1.1",))
    with serving(driveway) as port:
        assert refusal(port, "/driveway-1", {})[0] == 401
        with open_at(port, "/driveway-1", authorization("driveway-1", PASSWORD)) as connection:
            assert connection.subprotocol == "ocpp1.6"


def test_equipment_with_a_certificate(tmp_path: Path) -> None:
    """Security profile 3: its certificate alone lets it in; no other does, nor a password."""
    authority = Authority(tmp_path / "ca", "Kowhai Cottage")
    stranger = Authority(tmp_path / "other", "Kowhai Cottage")
    signed = authority.sign("lullwatt")
    driveway = replace(
        point(tmp_path, "driveway", "driveway-1"), password_file=None, certificate_name="KC7-0042"
    )
    path, right = "/driveway-1", authorization("driveway-1", PASSWORD)

    def connecting(port: int, shown: Signed | None, headers: object) -> ClientConnection:
        tls = ssl.create_default_context(cafile=authority.certificate)
        if shown is not None:
            tls.load_cert_chain(shown.certificate, shown.key)
        return connect(
            f"wss://127.0.0.1:{port}{path}", subprotocols=OCPP, ssl=tls, proxy=None,
            additional_headers=headers,  # type: ignore[arg-type]  # lists of pairs too
        )  # fmt: skip

    keys = (signed.certificate, signed.key)
    with serving(driveway, certificate=keys, client_ca=authority.certificate) as port:
        with connecting(port, authority.sign("KC7-0042"), {}) as connection:
            assert connection.subprotocol == "ocpp1.6"
        for shown in (None, authority.sign("KC7-0043")):
            with pytest.raises(InvalidStatus, match="401"):
                connecting(port, shown, right)
        with pytest.raises((ssl.SSLError, ConnectionClosed, InvalidMessage, OSError)):
            connecting(port, stranger.sign("KC7-0042"), right)


def test_passwords_are_read_at_each_connection(tmp_path: Path) -> None:
    """A changed password needs no restart; while its file can't be read, nobody can connect."""
    driveway = point(tmp_path, "driveway", "driveway-1")
    with serving(driveway) as port:
        secret(tmp_path, "driveway", "new")
        assert refusal(port, "/driveway-1", authorization("driveway-1", PASSWORD))[0] == 401
        with open_at(port, "/driveway-1", authorization("driveway-1", "new")) as connection:
            assert connection.subprotocol == "ocpp1.6"
        assert driveway.password_file is not None
        driveway.password_file.chmod(0o644)
        assert refusal(port, "/driveway-1", authorization("driveway-1", "new"))[0] == 503
        driveway.password_file.unlink()
        assert refusal(port, "/driveway-1", authorization("driveway-1", ""))[0] == 503


def test_the_newer_connection_wins(tmp_path: Path) -> None:
    """Of two connections with one identity the older is closed, and reported as ended first."""
    recorder = EventRecorder()
    with (
        serving(point(tmp_path, "driveway", "driveway-1"), recorder=recorder) as port,
        equipment_thread() as all_,
    ):
        older = all_.connect(port)
        older.boot()
        newer = all_.connect(port)
        newer.boot()
        assert older.closed == (1001, "a newer connection has taken over")
        kinds = [
            type(each)
            for _, each in recorder.events
            if isinstance(each, EquipmentConnected | EquipmentDisconnected)
        ]
        assert kinds == [EquipmentConnected, EquipmentDisconnected, EquipmentConnected]
        newer.status("Available")


def test_only_the_newest_of_many_is_served(tmp_path: Path) -> None:
    """A connection that is replaced before it was served is never reported."""
    may_end, events = Event(), list[EquipmentEvent]()

    def on_event(_charge_point: str, each: EquipmentEvent) -> None:
        if isinstance(each, EquipmentDisconnected) and not may_end.is_set():
            assert may_end.wait(patience(5))
        events.append(each)

    with (
        serving(point(tmp_path, "driveway", "driveway-1"), recorder=on_event) as port,
        equipment_thread() as all_,
    ):
        first = all_.connect(port)
        first.boot()
        second = all_.connect(port)
        wait_until(lambda: first.closed)
        third = all_.connect(port)
        wait_until(lambda: second.closed)
        may_end.set()
        third.boot()
        kinds = [
            type(each)
            for each in events
            if isinstance(each, EquipmentConnected | EquipmentDisconnected)
        ]
        assert kinds == [EquipmentConnected, EquipmentDisconnected, EquipmentConnected]


def test_tls(tmp_path: Path) -> None:
    """With a certificate the connection is encrypted; without TLS nobody can connect."""
    authority = Authority(tmp_path / "ca", "Kowhai Cottage")
    signed = authority.sign("context")
    trusted = ssl.create_default_context(cafile=authority.certificate)
    driveway = point(tmp_path, "driveway", "driveway-1")
    with (
        serving(driveway, certificate=(signed.certificate, signed.key)) as port,
        equipment_thread() as all_,
    ):
        assert all_.connect(port, tls=trusted).boot().status == "Accepted"
        with pytest.raises(InvalidMessage):
            all_.connect(port)


def test_why_it_can_not_start(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """A port in use, a key that others may read, a missing extra: the error names each."""
    driveway = point(tmp_path, "driveway", "driveway-1")
    signed = Authority(tmp_path / "ca", "Kowhai Cottage").sign("context")
    signed.key.chmod(0o644)

    def made(certificate: tuple[Path, Path] | None = None) -> OcppServer:
        clock = VirtualClock(NOW)
        return OcppServer([driveway], EventRecorder(), clock=clock, certificate=certificate)

    with serving(driveway) as port:
        wanted = f"OCPP can't be served at 127.0.0.1:{port}: another program uses that port"
        with pytest.raises(BusError, match=wanted):
            made().start("127.0.0.1", port)
    with pytest.raises(FileError, match="a key file that only its owner may read"):
        made((signed.certificate, signed.key)).start("127.0.0.1", 0)
    with pytest.raises(BusError, match="certificate and key can't be used"):
        made((signed.certificate, secret(tmp_path, "no-key"))).start("127.0.0.1", 0)
    monkeypatch.setitem(sys.modules, "adapters.ocpp.connections", None)
    with pytest.raises(BusError, match=r"needs the extra: pip install 'lullwatt\[ocpp\]'"):
        made().start("127.0.0.1", 0)


def test_transaction_numbers_grow_across_restarts() -> None:
    """They are above those of a daemon that started earlier, and fit in 32 bits."""
    later = transaction_ids_from(NOW.replace(minute=1))
    before = [number for number, _ in zip(transaction_ids_from(NOW), range(50), strict=False)]
    assert before == sorted(set(before))
    assert before[-1] < next(later) < 2**31


def test_nobody_connects_before_the_server_is_open(tmp_path: Path) -> None:
    """Equipment takes its time from the daemon, so it must wait until the daemon's clock is set."""
    opened: list[bool] = []
    header = authorization("driveway-1", PASSWORD)
    driveway = point(tmp_path, "driveway", "driveway-1")
    with serving(driveway, is_open=lambda: bool(opened)) as port:
        assert refusal(port, "/driveway-1", header)[0] == 503
        opened.append(True)
        with open_at(port, "/driveway-1", header) as connection:
            assert connection.subprotocol == "ocpp1.6"
