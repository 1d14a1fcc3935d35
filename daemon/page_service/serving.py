"""Put the page together, and serve it until SIGTERM or Ctrl-C."""

from __future__ import annotations

import asyncio
import signal
import ssl
from typing import TYPE_CHECKING, Protocol

import structlog

from adapters.clocks.clock import SystemClock
from adapters.host.memory import give_back_memory
from adapters.web.server import WebServer
from config.files.errors import LullwattError
from config.files.secret_files import credential_or_file, refuse_open_key
from daemon.page_service.access import HEADERS, Access
from daemon.page_service.devices_file import DevicesFile
from daemon.page_service.house_watch import HouseWatch
from daemon.page_service.languages import Languages, read_catalogues
from daemon.page_service.live_link import LiveLink
from daemon.page_service.pairing import PairingPages
from daemon.page_service.record import Record
from daemon.page_service.rendering import Templates
from daemon.page_service.site import Parts, Site
from daemon.page_service.wishes import WishPages

if TYPE_CHECKING:
    from collections.abc import Callable
    from pathlib import Path

    from adapters.web.server import Respond
    from config.household.page import Page
    from daemon.control.state import House

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
    for number in (signal.SIGTERM, signal.SIGINT):
        asyncio.get_running_loop().add_signal_handler(number, stopping.set)

    def listening(port: int) -> None:
        give_back_memory()
        _log.info("the page is served", at=f"{page.hosts[0]}:{port}", tls=page.has_tls)

    await serve(watch, page, tls, stopping, listening)


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
    link = LiveLink(file)
    parts = adapt(
        Parts(
            house=watch.house,
            link=link,
            record=Record(watch.path),
            devices=DevicesFile(page.devices_file),
            clock=SystemClock(),
            languages=Languages(file.zone, read_catalogues()),
            templates=Templates(),
            access=Access(page, page.port),
        )
    )
    pairing = PairingPages(parts)
    site = Site(parts, pairing.pair)
    pairing.add_to(site)
    WishPages(site, parts)
    server = WebServer(respond_by(site, parts), HEADERS)
    link.start()
    try:
        await server.serve(page.host, page.port, tls, stopping, listening)
    finally:
        await link.stop()


def tls_of(page: Page) -> ssl.SSLContext | None:
    """Return the page's certificate and key; None if it is served in the clear.

    Parameters
    ----------
    page
        Where it is served.

    Returns
    -------
    SSLContext or None
        Read now; a renewed certificate needs a restart.

    Raises
    ------
    PageError
        If they can't be used; a `FileError` if others may read the key.
    """
    if page.certificate_file is None or page.key_file is None:
        return None
    key = credential_or_file(page.key_file)
    refuse_open_key(key)
    context = ssl.create_default_context(ssl.Purpose.CLIENT_AUTH)
    context.minimum_version = ssl.TLSVersion.TLSv1_2
    try:
        context.load_cert_chain(page.certificate_file, key)
    except (OSError, ssl.SSLError) as error:
        raise PageError(
            f"{page.certificate_file}: certificate and key can't be used, or do not belong together"
        ) from error
    return context
