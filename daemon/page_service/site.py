"""Answer the requests of browsers: who may be here, and which page it is."""

from __future__ import annotations

import asyncio
import json
from dataclasses import dataclass
from typing import TYPE_CHECKING, Final

from adapters.web.exchange import COMMENT, EventStream, WebRequest, WebResponse, event_text
from config.files.errors import LullwattError
from daemon.page.troubles import past_alerts
from daemon.page.view import first_view
from daemon.page_service.access import FORGET, form_key, has_form_key
from daemon.page_service.rendering import STATIC, WORKER, static_file

if TYPE_CHECKING:
    from collections.abc import AsyncIterator, Awaitable, Callable, Mapping
    from datetime import datetime

    from adapters.clocks.clock import Clock
    from daemon.control.state import House
    from daemon.page.devices import Device
    from daemon.page.words import Words
    from daemon.page_record.record import Record
    from daemon.page_service.access import Access
    from daemon.page_service.devices_file import DevicesFile
    from daemon.page_service.languages import Languages
    from daemon.page_service.live_link import LiveLink
    from daemon.page_service.rendering import Templates

    Handler = Callable[["Visit"], Awaitable[WebResponse | EventStream]]

PLAIN: Final = "text/plain"
STREAM_SECONDS: Final = 30.0
"""How often a stream looks again, and shows that it is there."""


@dataclass(frozen=True, slots=True)
class Visit:
    """A request of a paired device.

    Attributes
    ----------
    request : WebRequest
        What it asks for.
    device : Device
        The device.
    token : str
        Its secret.
    words : Words
        The reader's.
    now : datetime
        UTC.
    """

    request: WebRequest
    device: Device
    token: str
    words: Words
    now: datetime


@dataclass(frozen=True, slots=True)
class Parts:
    """What all pages of the site use."""

    house: Callable[[], House]
    link: LiveLink
    record: Record
    devices: DevicesFile
    clock: Clock
    languages: Languages
    templates: Templates
    access: Access
    looks_every_seconds: float = STREAM_SECONDS
    is_rehearsed: bool = False


class Site:
    """The site: passes each request to its page.

    Parameters
    ----------
    parts
        What its pages use.
    pair
        Shows and reads the form that pairs a device; for browsers that are not paired.
    """

    def __init__(
        self, parts: Parts, pair: Callable[[WebRequest, Words], Awaitable[WebResponse]]
    ) -> None:
        self._parts = parts
        self._pair = pair
        self._pages: dict[tuple[str, str], Handler] = {
            ("GET", "/"): self._first_view,
            ("GET", "/live"): self._live,
            ("GET", "/home"): self._home,
        }
        self._notices: dict[str, tuple[str, ...]] = {}

    def add(self, method: str, path: str, page: Handler) -> None:
        """Add a page for paired devices."""
        self._pages[method, path] = page

    def notice(self, device: Device, *sentences: str) -> None:
        """Show a device some sentences with the next first view."""
        self._notices[device.id] = sentences

    async def respond(self, request: WebRequest) -> WebResponse | EventStream:
        """Answer a request."""
        access = self._parts.access
        if request.path == "/healthz":
            return WebResponse("alive\n", content_type=PLAIN)
        if not access.is_own_host(request):
            return WebResponse(
                "This name is not one of the page's; see names under page in the household file.\n",
                421,
                PLAIN,
            )
        method = "GET" if request.method == "HEAD" else request.method
        if method not in {"GET", "POST"}:
            return WebResponse("Expected GET or POST.\n", 405, PLAIN)
        if method == "POST" and not access.is_own_form(request):
            return WebResponse("This form is not from this page.\n", 403, PLAIN)
        try:
            return await self._respond_to_person(method, request)
        except LullwattError as error:
            return WebResponse(f"{error}\n", 503, PLAIN)

    def _public_file(self, path: str, words: Words) -> WebResponse | None:
        """Return a file that every browser may have; None if it is none."""
        if path in STATIC and (path != WORKER or self._parts.access.keeps_copy):
            return WebResponse(static_file(path), content_type=STATIC[path])
        if path == "/manifest.webmanifest":
            return _manifest(self._parts.house().file.household.name, words)
        return None

    async def _respond_to_person(
        self, method: str, request: WebRequest
    ) -> WebResponse | EventStream:
        parts = self._parts
        accepted = request.headers.get("accept-language", "")
        words = parts.languages.words(accepted, parts.house().file.days)
        file = self._public_file(request.path, words) if method == "GET" else None
        if file is not None:
            return file
        if request.path == "/pair":
            return await self._pair(request, words)
        token, now = parts.access.token_of(request), parts.clock.now()
        device = parts.devices.read().of_token(token) if token else None
        if device is None:
            forget = FORGET if token else {}
            return redirect("/pair", forget) if method == "GET" else redirect("/")
        self._note_seen(device, now)
        return await self._page(method, Visit(request, device, token, words, now))

    async def _page(self, method: str, visit: Visit) -> WebResponse | EventStream:
        if method == "POST" and not has_form_key(visit.request, visit.token):
            return WebResponse("This form is old: go back and load the page again.\n", 403, PLAIN)
        page = self._pages.get((method, visit.request.path))
        if page is None:
            sentence = visit.words.say("There is no such page.")
            return WebResponse(f"{sentence}\n", 404, PLAIN, is_known=True)
        return await page(visit)

    def _note_seen(self, device: Device, now: datetime) -> None:
        if self._parts.devices.read().seen(device, now) is None:
            return
        self._parts.devices.change(
            lambda devices: next(
                (devices.seen(each, now) for each in devices.paired if each.id == device.id), None
            )
        )

    async def _first_view(self, visit: Visit) -> WebResponse:
        return self.page(
            visit,
            "first.html.j2",
            live=await self._live_part(visit, visit.now),
            notices=self._notices.pop(visit.device.id, ()),
            keeps_copy=self._parts.access.keeps_copy,
        )

    async def _home(self, visit: Visit) -> WebResponse:
        from daemon.check.explain import explain_unwrapped  # noqa: PLC0415 - much code, seldom read

        house = self._parts.house()
        try:
            alerts = await self._parts.record.alerts(house, visit.now)
            shown = past_alerts(alerts, visit.now, visit.words)
        except LullwattError:
            shown = None
        lines = await asyncio.to_thread(lambda: tuple(explain_unwrapped(house, visit.now)))
        return self.page(visit, "home.html.j2", alerts=shown, lines=lines)

    async def _live(self, visit: Visit) -> EventStream:
        return EventStream(self._events(visit))

    async def _events(self, visit: Visit) -> AsyncIterator[str]:
        """Yield the live part of the first view whenever it has changed."""
        shown = ""
        while True:
            if self._parts.devices.read().of_token(visit.token) is None:
                yield event_text("gone", "")
                return
            seen = self._parts.link.version  # what comes while the part is made counts as new
            part = await self._live_part(visit, self._parts.clock.now())
            yield event_text("view", part) if part != shown else COMMENT
            shown = part
            await self._parts.link.wait_changed(self._parts.looks_every_seconds, seen)

    async def _live_part(self, visit: Visit, now: datetime) -> str:
        parts, house = self._parts, self._parts.house()
        tonight = await parts.record.tonight(house, now)
        view = first_view(parts.link.report, house, tonight, now, visit.words)
        return parts.templates.fill(
            "live.html.j2", visit.words,
            view=view, time=visit.words.clock(now), minute_ms=_minute_ms(parts, now),
            **_person(visit),
        )  # fmt: skip

    def page(self, visit: Visit, template: str, status: int = 200, **values: object) -> WebResponse:
        """Return a page for a paired device."""
        name = self._parts.house().file.household.name
        body = self._parts.templates.fill(
            template, visit.words, household=name, **_person(visit), **values
        )
        return WebResponse(body, status, is_known=True)


def _minute_ms(parts: Parts, now: datetime) -> int | None:
    """Return the minute that a phone's clock must agree with [ms]; None in a rehearsal."""
    if parts.is_rehearsed:
        return None
    return int(now.replace(second=0, microsecond=0).timestamp() * 1000)


def _person(visit: Visit) -> Mapping[str, object]:
    return {
        "key": form_key(visit.token),
        "may_ask": visit.device.role == "ask",
        "device": visit.device,
    }


def redirect(path: str, headers: Mapping[str, str] | None = None) -> WebResponse:
    """Send a browser to another page."""
    return WebResponse(
        status=303, content_type=PLAIN, headers={"Location": path, **(headers or {})}
    )


def _manifest(household: str, words: Words) -> WebResponse:
    manifest = {
        "name": words.say("Charging at {household}", household=household),
        "short_name": household,
        "start_url": "/",
        "display": "standalone",
        "lang": words.language,
        "icons": [{"src": "/icon.svg", "sizes": "any", "type": "image/svg+xml"}],
    }
    return WebResponse(json.dumps(manifest), content_type="application/manifest+json")
