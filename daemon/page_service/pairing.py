"""The pages on which devices are paired, let in by another one, listed and removed."""

from __future__ import annotations

import asyncio
import math
from secrets import choice, token_hex, token_urlsafe
from time import monotonic
from typing import TYPE_CHECKING, Final

from adapters.host.wrong_passwords import WrongPasswords
from adapters.web.exchange import WebResponse
from daemon.page.devices import (
    CODE_LENGTH,
    GOOD_FOR,
    MOST_DEVICES,
    NAME_LENGTH,
    TooManyDevices,
    code_words,
    new_code,
    read_code,
)
from daemon.page_service.access import FORGET
from daemon.page_service.site import redirect

if TYPE_CHECKING:
    from collections.abc import Awaitable, Callable, Sequence

    from adapters.web.exchange import WebRequest
    from daemon.page.devices import Device, Devices
    from daemon.page.words import Words
    from daemon.page_service.site import Parts, Site, Visit

TOKEN_BYTES: Final = 32
MOST_INVITED: Final = 10
"""Codes that a device may make in the time for which one is good."""

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
        self._invited: dict[str, list[float]] = {}

    def add_to(self, site: Site) -> None:
        """Add the list of devices to the site."""
        self._site = site
        site.add("GET", "/devices", self._list)
        site.add("POST", "/devices", self._remove)
        site.add("POST", "/devices/invite", self._invite)

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
        return self._list_page(visit)

    def _list_page(self, visit: Visit, status: int = 200, error: str = "") -> WebResponse:
        devices = self._parts.devices.read().paired
        shown = devices if visit.device.role == "ask" else (visit.device,)
        return self._site.page(
            visit,
            "devices.html.j2",
            status,
            error=error,
            devices=shown,
            let_in_by={each.id: _let_in_by(each, devices, visit.words) for each in shown},
            now=visit.now,
            keeps_copy=self._parts.access.keeps_copy,
        )

    async def _invite(self, visit: Visit) -> WebResponse:
        """Make a code for another device, and show it once."""
        from daemon.presentation.qr_picture import qr_svg  # noqa: PLC0415 - few ever need it

        role = visit.request.form.get("role", "")
        if visit.device.role != "ask" or role not in {"ask", "look"}:
            return redirect("/devices")
        words, devices = visit.words, self._parts.devices
        if devices.read().are_full:
            sentence = words.say(
                "{count} devices are paired. Remove one of them first, then try again.",
                count=MOST_DEVICES,
            )
            return self._list_page(visit, 409, sentence)
        if not self._may_invite(visit.device):
            return self._list_page(
                visit, 429, words.say("That was many codes. Wait ten minutes, then try again.")
            )
        code, by = new_code(choice), visit.device.id
        devices.change(
            lambda current: current.with_offer(
                code, "ask" if role == "ask" else "look", visit.now, by
            )
        )
        address = f"{self._parts.access.address(visit.request)}/pair"
        return self._site.page(
            visit,
            "invite.html.j2",
            address=address,
            code=code_words(code),
            picture=qr_svg(f"{address}?code={code_words(code)}", "qr"),
            until=words.clock(visit.now + GOOD_FOR),
            role=role,
        )

    def _may_invite(self, device: Device) -> bool:
        """Note that a device makes a code; False if it has made too many of late."""
        now = self._seconds()
        since = now - GOOD_FOR.total_seconds()
        made = [each for each in self._invited.get(device.id, ()) if each > since]
        if len(made) >= MOST_INVITED:
            return False
        self._invited[device.id] = [*made, now]
        return True

    async def _remove(self, visit: Visit) -> WebResponse:
        chosen = visit.request.form.get("device", "")
        is_own = chosen == visit.device.id
        if visit.device.role != "ask" and not is_own:
            return redirect("/devices")
        if is_own and not visit.request.form.get("sure"):
            paired = self._parts.devices.read().paired
            others = any(each.role == "ask" and each.id != chosen for each in paired)
            return self._site.page(visit, "sign_out.html.j2", others=others)
        name = next(
            (each.name for each in self._parts.devices.read().paired if each.id == chosen), ""
        )
        if not visit.request.form.get("sure") and name:
            return self._site.page(visit, "remove.html.j2", chosen=chosen, name=name)
        self._parts.devices.change(lambda devices: devices.without(chosen))
        if is_own:
            return redirect("/pair", {"Set-Cookie": self._parts.access.cookie(""), **FORGET})
        if name:
            sentence = visit.words.say("{name} is removed.", name=name)
            self._site.notice(visit.device, visit.words.say("Done."), sentence)
        return redirect("/")


def _let_in_by(device: Device, devices: Sequence[Device], words: Words) -> str:
    """Say which device let another one in; empty if none did."""
    if not device.by:
        return ""
    name = next((each.name for each in devices if each.id == device.by), None)
    if name is None:
        return words.say("let in by a device that was removed")
    return words.say("let in by {name}", name=name)
