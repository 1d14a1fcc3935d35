"""The pages on which a person asks for something: a form, a preview, a confirmation."""

from __future__ import annotations

import asyncio
from secrets import token_hex
from typing import TYPE_CHECKING, Any, Final

from adapters.contract.messages import MalformedMessage, Request, decode
from adapters.ledger.exact_json import dump_exact
from config.files.errors import UnwellError
from daemon.page.forms import UnclearWish, choices_of, wish_of
from daemon.page.plan_shown import read_plan
from daemon.page.wishes import preview_lines, question_of, refusal_words
from daemon.page_service.site import redirect
from daemon.remote import asking
from daemon.remote.asking import UnansweredError
from planners.local_time.conversion import local_date
from planners.local_time.departures import coming_night

if TYPE_CHECKING:
    from adapters.contract.messages import Answer
    from adapters.web.exchange import WebResponse
    from daemon.page.words import Words
    from daemon.page_service.site import Parts, Site, Visit

ANSWERS_SECONDS: Final = 15.0
"""A plan takes a second on a small board, and several while other work keeps it busy."""

MOST_ASKING: Final = 4
FORMS: Final = frozenset({"pause", "trip", "away", "level", "vehicle"})
"""The forms; the other wishes need none."""

_FORM_OF: Final = {"until": "pause", "trip": "trip", "away": "away", "level": "level"}
"""The form that is shown again if its wish makes no sense."""


class WishPages:
    """Asks the daemon what a person wants, first for a preview.

    Parameters
    ----------
    site
        The site that the pages belong to.
    parts
        What they use.
    """

    def __init__(self, site: Site, parts: Parts) -> None:
        self._site = site
        self._parts = parts
        self._asking = asyncio.Semaphore(MOST_ASKING)
        site.add("GET", "/wish", self._form)
        site.add("POST", "/wish", self._preview)
        site.add("POST", "/ask", self._confirmed)

    async def _form(self, visit: Visit) -> WebResponse:
        query = visit.request.query
        point, kind = query.get("point", ""), query.get("kind", "")
        if not self._may(visit, point) or kind not in FORMS:
            return redirect("/")
        return self._form_page(visit, point, kind)

    def _form_page(self, visit: Visit, point: str, kind: str, error: str = "") -> WebResponse:
        file = self._parts.house().file
        status = self._parts.link.report.points[point].status
        vehicle = status.vehicle if status else None
        plan = read_plan(self._parts.link.report.points[point].plan)
        users = [name for name, car in file.vehicles.items() if car.charge_point == point]
        return self._site.page(
            visit,
            "wish.html.j2",
            422 if error else 200,
            point=point,
            kind=kind,
            error=error,
            heading=lambda text: self._heading(text, vehicle or point, visit.words),
            vehicle=vehicle,
            others=[name for name in users if name != vehicle],
            leaves_after_tonight=plan is not None
            and local_date(plan.departure, file.zone) > coming_night(visit.now, file.days),
            reports_itself=status is not None and status.soc_from == "vehicle",
            charges_now=bool(status and status.charge_now),
            level="" if status is None or status.soc_percent is None else round(status.soc_percent),
            choices=choices_of(file, vehicle, visit.now, visit.words),
            given=visit.request.form,
        )

    async def _preview(self, visit: Visit) -> WebResponse:
        form, words = visit.request.form, visit.words
        point, kind = form.get("point", ""), form.get("kind", "")
        if not self._may(visit, point):
            return redirect("/")
        try:
            wish = wish_of(form, visit.now, self._parts.house().file.zone)
        except UnclearWish as error:
            sentence = words.say(str(error))
            if kind in _FORM_OF:
                return self._form_page(visit, point, _FORM_OF[kind], sentence)
            return self._refused(visit, sentence)
        try:
            answer = await self._ask(point, {**wish, "preview": True})
        except (UnwellError, MalformedMessage) as error:
            return self._refused(visit, words.say("Lullwatt does not answer."), str(error))
        if not answer.understood:
            return self._refused(visit, *refusal_words(answer, words))
        plan = read_plan(self._parts.link.report.points[point].plan)
        return self._site.page(
            visit,
            "confirm.html.j2",
            point=point,
            kind=kind,
            question=self._heading(
                question_of(
                    kind, wish, visit.now, words, self._parts.link.report.points[point].status
                ),
                answer.vehicle or point,
                words,
            ),
            lines=tuple(
                preview_lines(
                    answer,
                    wish,
                    plan,
                    file=self._parts.house().file,
                    now=visit.now,
                    words=words,
                    status=self._parts.link.report.points[point].status,
                )
            ),
            wish=dump_exact(wish),
            once=token_hex(8),
        )

    async def _confirmed(self, visit: Visit) -> WebResponse:
        form, words = visit.request.form, visit.words
        point = form.get("point", "")
        if not self._may(visit, point):
            return redirect("/")
        if not self._parts.access.use_once(form.get("once", "")):
            self._site.notice(visit.device, words.say("This was asked for before."))
            return redirect("/")
        before = self._parts.link.report.points[point].status
        try:
            wish = _read_wish(form.get("wish", ""))
            answer = await self._ask(point, wish)
        except UnansweredError:
            return self._page_of(visit, words.say("Lullwatt has not answered yet."), may_count=True)
        except (UnwellError, MalformedMessage) as error:
            return self._refused(visit, words.say("Lullwatt does not answer."), str(error))
        if not answer.understood:
            return self._refused(visit, *refusal_words(answer, words))
        lines = preview_lines(
            answer, wish, None, file=self._parts.house().file, now=visit.now, words=words,
            status=before,
        )  # fmt: skip
        self._site.notice(visit.device, words.say("Done."), *lines)
        return redirect("/")

    def _heading(self, text: str, name: str, words: Words) -> str:
        """Say whose wish it is, where the household has several vehicles."""
        if len(self._parts.house().file.vehicles) == 1:
            return text
        return words.say("{vehicle}: {text}", vehicle=name, text=text)

    def _may(self, visit: Visit, point: str) -> bool:
        return visit.device.role == "ask" and point in self._parts.link.report.points

    def _refused(self, visit: Visit, sentence: str, reason: str = "") -> WebResponse:
        return self._page_of(visit, sentence, reason)

    def _page_of(
        self, visit: Visit, sentence: str, reason: str = "", *, may_count: bool = False
    ) -> WebResponse:
        return self._site.page(
            visit, "refused.html.j2", 409, sentence=sentence, reason=reason, may_count=may_count
        )

    async def _ask(self, point: str, wish: dict[str, Any]) -> Answer:
        """Send a request and return its answer; `MalformedMessage` if it is none."""
        body = {"v": 1, "id": token_hex(8), **wish}
        request = decode(Request, dump_exact(body).encode())
        file, clock = self._parts.house().file, self._parts.clock
        async with self._asking:
            return await asyncio.to_thread(asking.ask, file, point, request, clock, ANSWERS_SECONDS)


def _read_wish(text: str) -> dict[str, Any]:
    """Read the wish that a confirmation carries; `MalformedMessage` if it is none."""
    read = decode(Request, text.encode())
    return read.model_dump(mode="json", exclude_none=True, exclude={"v", "id", "preview"})
