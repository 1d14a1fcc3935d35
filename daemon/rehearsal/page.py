"""Serve the household's page on this machine while its night is rehearsed."""

from __future__ import annotations

import socket
from contextlib import contextmanager
from dataclasses import dataclass, replace
from secrets import token_urlsafe
from typing import TYPE_CHECKING, Final

from adapters.host.serving_thread import ServingThread
from config.doors.page import Page
from config.files.errors import LullwattError
from daemon.page.devices import Device, Devices, hash_of
from daemon.page_record.record import Record
from daemon.page_service.devices_file import DevicesFile
from daemon.page_service.serving import serve
from daemon.page_service.site import redirect

if TYPE_CHECKING:
    import asyncio
    from collections.abc import Callable, Iterator
    from datetime import datetime
    from pathlib import Path

    from adapters.clocks.clock import VirtualClock
    from adapters.web.exchange import EventStream, WebRequest, WebResponse
    from adapters.web.server import Respond
    from daemon.control.state import House
    from daemon.page_service.site import Parts, Site

USUAL_PORT: Final = 8480
LOOKS_EVERY_SECONDS: Final = 1.0
"""How often an open page shows the time that has passed."""

_STARTS_SECONDS: Final = 20.0
_HOST: Final = "127.0.0.1"
_TOKEN_BYTES: Final = 32


@dataclass(frozen=True, slots=True)
class _Rehearsed:
    """The rehearsed household; its file does not change."""

    path: Path
    rehearsed: House

    def house(self) -> House:
        return self.rehearsed


@contextmanager
def rehearsed_page(path: Path, house: House, clock: VirtualClock, folder: Path) -> Iterator[str]:
    """Serve the page of a rehearsed household, to this machine only.

    Parameters
    ----------
    path : Path
        The household file, for error messages.
    house : House
        The household, with the broker and the ledger of the rehearsal.
    clock : VirtualClock
        The time of the rehearsal.
    folder : Path
        Where the paired device is kept.

    Yields
    ------
    str
        An address that opens the page: whoever has it needs no pairing.

    Raises
    ------
    LullwattError
        If it can't be served.
    """
    page = Page.model_validate(
        {"listen": f"{_HOST}:{_free_port()}", "devices_file": folder / "devices.json"}
    )
    token, entrance = token_urlsafe(_TOKEN_BYTES), f"/see-{token_urlsafe(_TOKEN_BYTES // 2)}"
    _pair(DevicesFile(page.devices_file), token, clock.now())

    def adapt(parts: Parts) -> Parts:
        record = Record(seconds=lambda: clock.now().timestamp())
        return replace(
            parts,
            clock=clock,
            is_rehearsed=True,
            record=record,
            looks_every_seconds=LOOKS_EVERY_SECONDS,
        )

    def respond_by(site: Site, parts: Parts) -> Respond:
        async def respond(request: WebRequest) -> WebResponse | EventStream:
            if request.path == entrance:
                return redirect("/", {"Set-Cookie": parts.access.cookie(token)})
            return await site.respond(request)

        return respond

    async def serving(stopping: asyncio.Event, listening: Callable[[int], None]) -> None:
        await serve(
            _Rehearsed(path, house), page, None, stopping, listening,
            adapt=adapt, respond_by=respond_by,
        )  # fmt: skip

    thread = ServingThread("page", serving)
    try:
        thread.start(_STARTS_SECONDS)
    except (OSError, TimeoutError) as error:
        raise LullwattError(f"the page can't be served at {page.listen}: {error}") from error
    try:
        yield f"{page.url}{entrance}"
    finally:
        thread.stop(_STARTS_SECONDS)


def _pair(devices: DevicesFile, token: str, now: datetime) -> None:
    device = Device("this", "This browser", "ask", hash_of(token), paired_at=now, seen_at=now)
    devices.change(lambda _none: Devices((device,)))


def _free_port() -> int:
    """Return the usual port of the page, or any free one if that is taken."""
    for port in (USUAL_PORT, 0):
        try:
            with socket.create_server((_HOST, port)) as free:
                found: int = free.getsockname()[1]
                return found
        except OSError:
            continue
    raise LullwattError(f"no port of {_HOST} is free for the page")
