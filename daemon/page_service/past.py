"""Show nights and why, months and a year to paired devices."""

from __future__ import annotations

import re
from typing import TYPE_CHECKING, Final

from config.files.errors import LullwattError
from daemon.page.past import levels_now, past_view
from daemon.page_record.reading import PastReader, beside, date_of, month_of
from daemon.page_record.year import beside_month_before, months_before, year_view
from daemon.page_service.site import redirect
from planners.local_time.conversion import nearest_minute
from planners.local_time.departures import night_of

if TYPE_CHECKING:
    from pathlib import Path

    from adapters.web.exchange import WebResponse
    from daemon.page.past import Levels
    from daemon.page_service.site import Parts, Site, Visit
    from daemon.why.story_lines import Entry

NIGHTS_SHOWN: Final = 7
"""So many nights are listed at first."""

_NUMBERS: Final = re.compile(r" \(commands? [\d to]+\)$")
"""At the end of an entry, for whoever compares it with a log."""


def _told(entry: Entry) -> str:
    """Write an entry of a night's story as a sentence, without the numbers of commands."""
    text = _NUMBERS.sub("", entry.text)
    return f"{text[:1].upper()}{text[1:]}{'' if text.endswith('.') else '.'}"


class PastPages:
    """The pages of what is over.

    Parameters
    ----------
    site
        The site that the pages belong to.
    parts
        What they use.
    path
        The household file, for error messages.
    """

    def __init__(self, site: Site, parts: Parts, path: Path) -> None:
        self._site = site
        self._parts = parts
        self._reader = PastReader(path)
        site.add("GET", "/nights", self._nights)
        site.add("GET", "/night", self._night)
        site.add("GET", "/month", self._month)
        site.add("GET", "/report", self._report)

    async def _nights(self, visit: Visit) -> WebResponse:
        from daemon.page_record.night_view import night_view  # noqa: PLC0415 - as in `PastReader`

        house, now, words = self._parts.house(), visit.now, visit.words
        try:
            past = await self._reader.past(house, now)
        except LullwattError as error:
            return self._unreadable(visit, error)
        currency = house.file.household.currency
        return self._site.page(
            visit,
            "nights.html.j2",
            view=past_view(past.months, now, words, self._levels()),
            compared=tuple(beside_month_before(past.sums[0], past.sums[1], currency, words)),
            year=year_view(past.sums, currency, words),
            last=past.last,
            shown=NIGHTS_SHOWN,
            whys=tuple(night_view(why, now, words, self._levels()) for why in past.whys),
        )

    async def _night(self, visit: Visit) -> WebResponse:
        from daemon.page_record.night_view import night_view  # noqa: PLC0415 - as in `PastReader`

        house, night = self._parts.house(), date_of(visit.request.query.get("of", ""))
        if night is None or night > night_of(visit.now, house.file.days):
            return redirect("/nights")
        try:
            whys = await self._reader.night(house, night, visit.now)
        except LullwattError as error:
            return self._unreadable(visit, error)
        zone = house.file.zone
        before, after = beside(night)
        return self._site.page(
            visit,
            "night.html.j2",
            title=visit.words.whole_date(night),
            whys=tuple(
                (night_view(why, visit.now, visit.words, self._levels()), why) for why in whys
            ),
            told=_told,
            day=lambda at: visit.words.whole_date(nearest_minute(at, zone).date()),
            before=before,
            after=after if after <= night_of(visit.now, house.file.days) else None,
        )

    async def _month(self, visit: Visit) -> WebResponse:
        from daemon.page_record.month_view import month_view  # noqa: PLC0415 - as in `PastReader`

        when = self._asked_month(visit)
        if when is None:
            return redirect("/nights")
        try:
            month = await self._reader.month(self._parts.house(), when, visit.now)
        except LullwattError as error:
            return self._unreadable(visit, error)
        (_, before) = months_before(*when, count=2)
        return self._site.page(
            visit,
            "month.html.j2",
            title=visit.words.month(*when),
            of=f"{when[0]}-{when[1]:02}",
            view=month_view(month, visit.now, visit.words, self._levels()),
            before=before,
        )

    async def _report(self, visit: Visit) -> WebResponse:
        when = self._asked_month(visit)
        if when is None:
            return redirect("/nights")
        try:
            sections = await self._reader.report(self._parts.house(), when, visit.now)
        except LullwattError as error:
            return self._unreadable(visit, error)
        title = visit.words.month(*when)
        return self._site.page(visit, "report.html.j2", title=title, sections=sections)

    def _levels(self) -> Levels:
        points = self._parts.link.report.points
        return levels_now({name: point.status for name, point in points.items()})

    def _asked_month(self, visit: Visit) -> tuple[int, int] | None:
        """Return the month of the address; None if it is none, or has not come yet."""
        when = month_of(visit.request.query.get("of", ""))
        this = night_of(visit.now, self._parts.house().file.days)
        return None if when is None or when > (this.year, this.month) else when

    def _unreadable(self, visit: Visit, error: LullwattError) -> WebResponse:
        sentence = visit.words.say("The record can't be read.")
        return self._site.page(visit, "refused.html.j2", 503, sentence=sentence, reason=str(error))
