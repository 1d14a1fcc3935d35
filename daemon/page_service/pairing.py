"""The pages on which devices are paired, listed and removed."""

from __future__ import annotations

import asyncio
import math
from secrets import token_hex, token_urlsafe
from time import monotonic
from typing import TYPE_CHECKING, Final

from adapters.host.wrong_passwords import WrongPasswords
from adapters.web.exchange import WebResponse
from daemon.page.devices import (
    CODE_LENGTH,
    MOST_DEVICES,
    NAME_LENGTH,
    TooManyDevices,
    code_words,
    read_code,
)
from daemon.page_service.access import FORGET
from daemon.page_service.site import redirect

if TYPE_CHECKING:
    from collections.abc import Awaitable, Callable

    from adapters.web.exchange import WebRequest
    from daemon.page.devices import Device, Devices
    from daemon.page.words import Words
    from daemon.page_service.site import Parts, Site, Visit

TOKEN_BYTES: Final = 32
_CODES: Final = "codes"
"""All codes count as one identity: guesses from many addresses make each wait."""


class PairingPages:
    """Lets devices in that have a code, and removes others.

    Parameters
    ----------
    parts
        What the pages use.
    seconds
        The clock of the delays [s].
    sleep
        Waits for so many seconds.
    """

    def __init__(
        self,
        parts: Parts,
        seconds: Callable[[], float] = monotonic,
        sleep: Callable[[float], Awaitable[None]] = asyncio.sleep,
    ) -> None:
        self._parts = parts
        self._seconds = seconds
        self._sleep = sleep
        self._wrong = WrongPasswords()

    def add_to(self, site: Site) -> None:
        """Add the list of devices to the site."""
        self._site = site
        site.add("GET", "/devices", self._list)
        site.add("POST", "/devices", self._remove)

    async def pair(self, request: WebRequest, words: Words) -> WebResponse:
        """Show the form that pairs a device, or read it."""
        if request.method != "POST":
            return self._form(request, words)
        now_seconds = self._seconds()
        wait = self._wrong.wait_seconds(_CODES, request.address, now_seconds)
        if self._wrong.bars(request.address, now_seconds):
            seconds = math.ceil(wait)
            sentence = words.say(
                "Too many wrong codes. Wait {seconds} seconds, then try again.", seconds=seconds
            )
            return self._form(request, words, 429, sentence, headers={"Retry-After": str(seconds)})
        # It counts before it is looked at, so that guesses at the same time gain nothing.
        self._wrong.note_wrong(_CODES, request.address, now_seconds)
        await self._sleep(wait)
        device_token = token_urlsafe(TOKEN_BYTES)
        try:
            if not self._let_in(request, device_token):
                return self._form(
                    request, words, 403, words.say("This code is wrong, used or too old.")
                )
        except TooManyDevices:
            self._wrong.note_right(_CODES, request.address)
            sentence = words.say(
                "{count} devices are paired. Remove one of them first, then try again.",
                count=MOST_DEVICES,
            )
            return self._form(request, words, 409, sentence)
        self._wrong.note_right(_CODES, request.address)
        return redirect("/", {"Set-Cookie": self._parts.access.cookie(device_token)})

    def _let_in(self, request: WebRequest, token: str) -> bool:
        """Pair the device if its code is good; return whether it is."""
        found: list[Device] = []
        name = request.form.get("name", "").strip() or "?"

        def paired(devices: Devices) -> Devices | None:
            code, now = request.form.get("code", ""), self._parts.clock.now()
            pair = devices.pair(code, name, now, token=token, new_id=token_hex(4))
            if pair is None:
                return None
            found.append(pair[1])
            return pair[0]

        self._parts.devices.change(paired)
        return bool(found)

    def _form(
        self,
        request: WebRequest,
        words: Words,
        status: int = 200,
        error: str = "",
        *,
        headers: dict[str, str] | None = None,
    ) -> WebResponse:
        """Show the form with what was filled in before, or what a picture of the code says."""
        code = request.form.get("code") or request.query.get("code", "")
        body = self._parts.templates.fill(
            "pair.html.j2", words,
            household=self._parts.house().file.household.name,
            error=error, code=code_words(read_code(code)[:CODE_LENGTH]),
            name=request.form.get("name", "")[:NAME_LENGTH],
        )  # fmt: skip
        return WebResponse(body, status, headers=headers or {})

    async def _list(self, visit: Visit) -> WebResponse:
        devices = self._parts.devices.read().paired
        shown = devices if visit.device.role == "ask" else (visit.device,)
        return self._site.page(
            visit,
            "devices.html.j2",
            devices=shown,
            now=visit.now,
            keeps_copy=self._parts.access.keeps_copy,
        )

    async def _remove(self, visit: Visit) -> WebResponse:
        chosen = visit.request.form.get("device", "")
        if visit.device.role != "ask" and chosen != visit.device.id:
            return redirect("/devices")
        self._parts.devices.change(lambda devices: devices.without(chosen))
        if chosen == visit.device.id:
            return redirect("/pair", {"Set-Cookie": self._parts.access.cookie(""), **FORGET})
        return redirect("/devices")
