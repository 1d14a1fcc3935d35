"""The first view: what is known, what is wrong, and wishes, around each `headline`. Pure."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Literal

from config.fields.value_types import WATT_HOURS_PER_KWH
from config.files.errors import TariffError
from daemon.control.state import SOC_SOURCES, vehicles_of
from daemon.page.fuse import fixed_parts_text, fuse_strips
from daemon.page.headline import headline_of
from daemon.page.past import levels_now, night_line, runs
from daemon.page.plan_shown import read_plan
from daemon.page.strip import Strip, stretch_of, strip_of
from daemon.page.troubles import Trouble, home_trouble, point_troubles, record_trouble
from daemon.page.wishes import WishLine, wish_lines
from planners.local_time.departures import DAY, night_of

if TYPE_CHECKING:
    from collections.abc import Iterable, Iterator, Sequence
    from datetime import datetime

    from adapters.contract.messages import LoadOfHome, Status
    from daemon.control.state import House
    from daemon.night_log.month import NightRow
    from daemon.page.charged import Charged, ChargedTonight
    from daemon.page.fuse import FuseStrip
    from daemon.page.plan_shown import ShownPlan
    from daemon.page.words import Words
    from daemon.remote.health import PointReport, Report
    from planners.rates.prices import Prices


Mood = Literal["well", "noted", "unwell"]


@dataclass(frozen=True, slots=True)
class Fact:
    """Something known, with its name, and the night whose page says why."""

    name: str
    text: str
    night: str = ""


@dataclass(frozen=True, slots=True)
class PointView:
    """What the page shows of one charge point.

    Attributes
    ----------
    name : str
        Its name in the household file.
    sentences : tuple of str
        What will happen; the first one is the most important.
    troubles : tuple of Trouble
        What is wrong.
    facts : tuple of Fact
        What is known.
    wishes : tuple of WishLine
        What was asked for and is in force.
    strip : Strip or None
        Tonight; None without a status.
    strip_text : str
        The same in words.
    rates_text : str
        The lowest and highest rate in words; empty if none is known.
    charges_now_asked : bool
        Whether somebody has asked to charge now.
    other_vehicles : tuple of str
        Vehicles that may be plugged in instead.
    """

    name: str
    sentences: tuple[str, ...]
    troubles: tuple[Trouble, ...]
    facts: tuple[Fact, ...] = ()
    wishes: tuple[WishLine, ...] = ()
    strip: Strip | None = None
    strip_text: str = ""
    rates_text: str = ""
    charges_now_asked: bool = False
    other_vehicles: tuple[str, ...] = ()


@dataclass(frozen=True, slots=True)
class FirstView:
    """The page as it opens.

    Attributes
    ----------
    household : str
        Its name.
    state : str
        In a few words: all is well, or not.
    mood : str
        ``"well"``, ``"noted"`` if not all is charged in time, or ``"unwell"`` if something is
        wrong.
    trouble : Trouble or None
        What is wrong with the whole: then the points show what was last known.
    points : tuple of PointView
        Charge points, in the order of the file.
    fuses : tuple of FuseStrip
        What a main fuse that they share will carry; one for each phase that differs.
    parts_text : str
        What each of them keeps to while no plan for all of them holds; empty without `fuses`.
    """

    household: str
    state: str
    mood: Mood
    trouble: Trouble | None
    points: tuple[PointView, ...]
    fuses: tuple[FuseStrip, ...] = ()
    parts_text: str = ""


def first_view(
    report: Report, house: House, tonight: ChargedTonight, now: datetime, words: Words
) -> FirstView:
    """Return the first view.

    Parameters
    ----------
    report
        The daemon's last messages.
    house
        The household, and its rates.
    tonight
        What has been charged since the night began.
    now
        UTC.
    words
        The reader's.

    Returns
    -------
    FirstView
        In the reader's words.
    """
    file = house.file
    trouble = home_trouble(report, file, now, words) or record_trouble(tonight, words)
    loads = [each.status.home_load for each in report.points.values() if each.status]
    # Each status has the load as it was then; the newest one is that of the home.
    load = max(filter(None, loads), key=lambda each: each.at, default=None)
    points = tuple(
        _point_view(name, point, house, tonight, load=load, now=now, words=words)
        for name, point in report.points.items()
    )
    mood = _mood([*([trouble] if trouble else []), *(t for each in points for t in each.troubles)])
    states = {
        "well": words.say("All is well"),
        "noted": words.say("Not all can be charged in time"),
        "unwell": words.say("Something is wrong"),
    }
    read = {name: read_plan(point.plan) for name, point in report.points.items()}
    plans = {name: plan for name, plan in read.items() if plan and plan.vehicle in file.vehicles}
    fuses = tuple(fuse_strips(file, plans, now, words))
    parts = fixed_parts_text(file, words) if fuses else ""
    return FirstView(file.household.name, states[mood], mood, trouble, points, fuses, parts)


def _mood(troubles: Sequence[Trouble]) -> Mood:
    if not troubles:
        return "well"
    return "unwell" if any(each.is_fault for each in troubles) else "noted"


def _point_view(
    name: str,
    point: PointReport,
    house: House,
    tonight: ChargedTonight,
    *,
    load: LoadOfHome | None,
    now: datetime,
    words: Words,
) -> PointView:
    status = point.status
    if status is None:
        return PointView(name, (words.say("Nothing is known yet."),), ())
    plan, charged = read_plan(point.plan), tonight.points.get(name)
    last, currency = tonight.last_nights.get(name), house.file.household.currency
    strip = _strip(plan, house, house.prices.at(name), charged, now)
    return PointView(
        name=name,
        sentences=tuple(headline_of(status, plan, now, words)),
        troubles=tuple(point_troubles(status, now, words)),
        facts=(
            *_facts(status, charged, load, now, words),
            *(() if last is None else [_last_night(last, currency, status, now, words)]),
        ),
        wishes=tuple(wish_lines(status, now, words)),
        strip=strip,
        strip_text=_strip_text(plan, charged, now, words),
        rates_text=_rates_text(strip, currency, words),
        charges_now_asked=bool(status.charge_now),
        other_vehicles=tuple(
            each for each in vehicles_of(house.file, name) if each != status.vehicle
        ),
    )


def _strip(
    plan: ShownPlan | None, house: House, prices: Prices, charged: Charged | None, now: datetime
) -> Strip:
    departure = plan.departure if plan else None
    spans = plan.spans if plan else ()
    flowed = charged.spans if charged else ()
    stretch = stretch_of(now, departure, spans, flowed)
    try:
        rates = prices.spans(stretch.start, stretch.end)
    except TariffError:
        rates = ()
    return strip_of(
        stretch,
        now,
        departure,
        spans,
        charged=flowed,
        rates=rates,
        zone=house.file.zone,
        from_roof=plan.roof_spans if plan else (),
    )


def _strip_text(
    plan: ShownPlan | None, charged: Charged | None, now: datetime, words: Words
) -> str:
    """Say what the strip shows, for those who do not see it."""
    texts = []
    if charged is not None and charged.spans:
        spans = _spans(charged.spans, now, words)
        texts.append(words.say("Has charged {spans}.", spans=spans))
    ahead = tuple(span for span in plan.spans if span[1] > now) if plan else ()
    if plan is None or not ahead:
        texts.append(words.say("No charging is planned."))
    else:
        departure = words.when(plan.departure, now)
        texts.append(
            words.say(
                "Charging {spans}; departure {departure}.",
                spans=_spans(ahead, now, words), departure=departure,
            )
        )  # fmt: skip
        sunny = tuple(span for span in plan.roof_spans if span[1] > now)
        if sunny:
            spans = _spans(sunny, now, words)
            texts.append(words.say("Mostly from the roof {spans}.", spans=spans))
    return " ".join(texts)


def _spans(spans: Iterable[tuple[datetime, datetime]], now: datetime, words: Words) -> str:
    return ", ".join(
        words.say("{start} to {end}", start=words.when(start, now), end=words.when(end, now))
        for start, end in spans
    )


def _rates_text(strip: Strip, currency: str, words: Words) -> str:
    if strip.lowest is None or strip.highest is None:
        return ""
    lowest, highest = (words.rate(rate, currency) for rate in (strip.lowest, strip.highest))
    if lowest == highest:
        return words.say("price per kWh: {rate}", rate=lowest)
    return words.say("price per kWh: {lowest} to {highest}", lowest=lowest, highest=highest)


def _facts(
    status: Status, charged: Charged | None, load: LoadOfHome | None, now: datetime, words: Words
) -> Iterator[Fact]:
    yield Fact(words.say("Vehicle"), _vehicle(status, words))
    if status.soc_percent is not None:
        yield Fact(words.say("Battery"), _battery(status, now, words))
    if charged is not None and charged.wh:
        at_noon = words.days.end_of(night_of(now, words.days) - DAY) == "noon"
        since = words.say("Since noon") if at_noon else words.say("Since midnight")
        yield Fact(since, _charged(charged, words))
    if load is not None:
        yield from _fuse(load, now, words)
    if status.calendar_at is not None:
        yield Fact(words.say("Calendar as of"), words.age(status.calendar_at, now))
    yield Fact(words.say("Last heard"), words.age(status.at, now))


def _vehicle(status: Status, words: Words) -> str:
    name = status.vehicle or words.say("a vehicle")
    if not status.connected:
        return words.say("{vehicle} is not plugged in", vehicle=name)
    if not status.charging:
        return words.say("{vehicle} is plugged in", vehicle=name)
    watts = status.reading.watts if status.reading else None
    if watts is None:
        return words.say("{vehicle} is charging", vehicle=name)
    power = words.number(watts / 1000)
    return words.say("{vehicle} is charging at {power} kW", vehicle=name, power=power)


def _battery(status: Status, now: datetime, words: Words) -> str:
    percent = words.percent(status.soc_percent or 0.0)
    if status.soc_from is None:
        return percent
    source = words.say(SOC_SOURCES[status.soc_from])
    if status.soc_at is None:
        return words.say("{percent}, {source}", percent=percent, source=source)
    if status.soc_from == "counted":
        since = words.when(status.soc_at, now)
        return words.say(
            "{percent}, {source} since {time}", percent=percent, source=source, time=since
        )
    age = words.age(status.soc_at, now)
    return words.say("{percent}, {source} ({age})", percent=percent, source=source, age=age)


def _last_night(row: NightRow, currency: str, status: Status, now: datetime, words: Words) -> Fact:
    levels = levels_now({row.charge_point: status})
    night = night_line(row, currency, now, words, levels)
    if runs(row, now, words, levels):
        name = words.say("Night of {day}, so far", day=night.name)
    else:
        name = words.say("Night of {day}", day=night.name)
    return Fact(name, " ".join(night.sentences), night.of)


def _charged(charged: Charged, words: Words) -> str:
    kwh = words.kwh(charged.wh / WATT_HOURS_PER_KWH)
    if not charged.estimated_wh:
        return words.say("{kwh} charged, metered", kwh=kwh)
    estimated = words.kwh(charged.estimated_wh / WATT_HOURS_PER_KWH)
    return words.say("{kwh} charged, {estimated} of it estimated", kwh=kwh, estimated=estimated)


def _fuse(load: LoadOfHome, now: datetime, words: Words) -> Iterator[Fact]:
    """Say what the home draws of its main fuse, where that is read live."""
    amps = words.number(max(load.amps))
    age = words.age(load.at, now)
    if load.leaves_amps is None:
        text = words.say("the home draws {amps} A ({age})", amps=amps, age=age)
    else:
        left = words.number(min(load.leaves_amps))
        text = words.say(
            "the home draws {amps} A ({age}); {left} A are left for charging",
            amps=amps, age=age, left=left,
        )  # fmt: skip
    yield Fact(words.say("Main fuse"), text)
    if load.leaves_kw is not None:
        left = words.number(load.leaves_kw)
        yield Fact(words.say("Whole home"), words.say("{left} kW are left for charging", left=left))
    if load.fixed_parts:
        rarely = words.say("it is read too rarely, so each charge point keeps to its own part")
        yield Fact(words.say("The meter"), rarely)
