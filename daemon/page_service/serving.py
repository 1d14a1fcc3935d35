"""Put the page together, and serve it until SIGTERM or Ctrl-C."""

from __future__ import annotations

import asyncio
import signal
from typing import TYPE_CHECKING, Protocol

import structlog

from adapters.clocks.clock import SystemClock
from adapters.host.memory import give_back_memory
from adapters.host.service_notice import ServiceNotice
from adapters.web.certificate import context_of
from adapters.web.server import WebServer
from config.files.errors import LullwattError
from daemon.page_record.record import Record
from daemon.page_service.access import HEADERS, Access
from daemon.page_service.devices_file import DevicesFile
from daemon.page_service.house_watch import HouseWatch
from daemon.page_service.languages import Languages, read_catalogues
from daemon.page_service.live_link import LiveLink
from daemon.page_service.pairing import PairingPages
from daemon.page_service.past import PastPages
from daemon.page_service.rendering import Templates
from daemon.page_service.site import Parts, Site
from daemon.page_service.wishes import WishPages

if TYPE_CHECKING:
    import ssl
    from collections.abc import Callable
    from pathlib import Path

    from adapters.web.server import Respond
    from config.doors.page import Page
    from daemon.control.state import House

_SIGNS = 3
"""Signs of life in the time after which the service manager kills a silent process."""

_log = structlog.get_logger(__name__)


class HouseSource(Protocol):
    """Where the page gets the household from."""

    @property
    def path(self) -> Path:
        """The household file, for error messages."""
        ...

    def house(self) -> House:
        """Return the household as it is now."""
        ...


class PageError(LullwattError):
    """The page can't be served."""


def serve_page(path: Path, page: Page) -> None:
    """Serve the page until SIGTERM or Ctrl-C.

    Parameters
    ----------
    path
        The household file.
    page
        Where it is served.

    Raises
    ------
    PageError
        If the address can't be listened on.
    """
    watch = HouseWatch(path)
    tls = tls_of(page)
    try:
        asyncio.run(_serve_until_told(watch, page, tls))
    except OSError as error:
        raise PageError(f"the page can't be served at {page.listen}: {error.strerror}") from error


async def _serve_until_told(watch: HouseWatch, page: Page, tls: ssl.SSLContext | None) -> None:
    stopping = asyncio.Event()
    loop = asyncio.get_running_loop()
    for number in (signal.SIGTERM, signal.SIGINT):
        loop.add_signal_handler(number, stopping.set)
    loop.add_signal_handler(signal.SIGHUP, watch.read_again)
    notice = ServiceNotice.from_environment()

    def listening(port: int) -> None:
        give_back_memory()
        _log.info("the page is served", at=f"{page.hosts[0]}:{port}", tls=page.has_tls)
        notice.send(READY=1)

    alive = asyncio.create_task(_send_signs_of_life(notice))
    try:
        await serve(watch, page, tls, stopping, listening)
    finally:
        alive.cancel()
        notice.close()


async def _send_signs_of_life(notice: ServiceNotice) -> None:
    """Show the service manager that the loop still turns."""
    while notice.watchdog_seconds is not None:
        notice.send(WATCHDOG=1)
        await asyncio.sleep(notice.watchdog_seconds / _SIGNS)


def respond_by_site(site: Site, _parts: Parts) -> Respond:
    """Return what answers requests: the site itself."""
    return site.respond


async def serve(
    watch: HouseSource,
    page: Page,
    tls: ssl.SSLContext | None,
    stopping: asyncio.Event,
    listening: Callable[[int], None],
    *,
    adapt: Callable[[Parts], Parts] = lambda parts: parts,
    respond_by: Callable[[Site, Parts], Respond] = respond_by_site,
) -> None:
    """Serve the page until an event is set.

    Parameters
    ----------
    watch
        The household.
    page
        Where it is served.
    tls
        Its certificate and key; None in the clear.
    stopping
        Ends it.
    listening
        Called with the port once it listens.
    adapt
        Changes the parts of the site; a rehearsal has a clock of its own.
    respond_by
        Returns what answers requests.
    """
    file = watch.house().file
    link = LiveLink(file, lambda: parts.clock.now())  # noqa: PLW0108 - of the parts below
    parts = adapt(
        Parts(
            house=watch.house,
            link=link,
            record=Record(),
            devices=DevicesFile(page.devices_file),
            clock=SystemClock(),
            languages=Languages(read_catalogues()),
            templates=Templates(),
            access=Access(page, page.port),
        )
    )
    pairing = PairingPages(parts)
    site = Site(parts, pairing.pair)
    pairing.add_to(site)
    WishPages(site, parts)
    PastPages(site, parts, watch.path)
    server = WebServer(respond_by(site, parts), HEADERS)
    link.start()
    try:
        await server.serve(page.host, page.port, tls, stopping, listening)
    finally:
        await link.stop()


def tls_of(page: Page) -> ssl.SSLContext | None:
    """Return the TLS settings of the page; None if it is served in the clear."""
    if page.certificate_file is None or page.key_file is None:
        return None
    return context_of(page.certificate_file, page.key_file)
