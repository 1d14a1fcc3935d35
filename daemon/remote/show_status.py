"""Show the state of a running daemon, its charge points and its plans. Pure."""

from __future__ import annotations

from datetime import timedelta
from typing import TYPE_CHECKING, Any

from adapters.clocks.instants import parse_instant
from daemon.control.alerts import ALERTS
from daemon.control.leaving_late import GOES_ON
from daemon.control.state import SOC_SOURCES
from daemon.presentation.figures import local_time
from planners.accounts.money import format_money

if TYPE_CHECKING:
    from collections.abc import Iterator
    from datetime import datetime
    from zoneinfo import ZoneInfo

    from adapters.contract.messages import (
        AskedFor,
        KnownRates,
        LimitOfGrid,
        LoadOfHome,
        MainFuse,
        Status,
    )
    from config.household.household_file import HouseholdFile
    from daemon.remote.health import PointReport, Report


_MINUTES_SHOWN = 120
"""From this age on, an instant is shown instead of the minutes since it."""


def status_lines(report: Report, file: HouseholdFile, now: datetime) -> Iterator[str]:
    """Lay out a report for people.

    Parameters
    ----------
    report : Report
        The last messages of the daemon.
    file : HouseholdFile
        The household.
    now : datetime
        UTC.

    Yields
    ------
    str
        Lines of text.
    """
    name, daemon = file.household.name, report.daemon
    if daemon is None:
        yield f"{name}: no daemon is known."
    elif daemon.state != "online":
        yield f"{name}: the daemon is {daemon.state}."
    else:
        since = f"has been running since {_when(daemon.since, file.zone)}" if daemon.since else ""
        runs = f"the daemon {since or 'is running'}"
        yield f"{name}: {runs}."
    for name, point in report.points.items():
        yield name
        for title, text in _rows(point, file.zone, now):
            yield f"  {title:<16}{text}"


def _rows(point: PointReport, zone: ZoneInfo, now: datetime) -> Iterator[tuple[str, str]]:
    status = point.status
    if status is None:
        yield "status", "none"
        return
    yield "as of", _when(status.at, zone)
    yield "vehicle", _vehicle(status)
    if status.soc_percent is not None:
        yield "state of charge", f"{status.soc_percent:g} %{_soc_source(status, zone, now)}"
    yield "command", f"{status.do}: {status.why}" if status.do else "none yet"
    yield "plan", _goes_on(status, zone) or _plan(point.plan, zone, now)
    yield from _wishes(status, zone)
    yield from _home_rows(status, zone, now)
    yield "rates", _rates(status.rates, zone)
    yield "alerts", "none" if not status.alerts else _alert(status.alerts[0])
    for code in status.alerts[1:]:
        yield "", _alert(code)


def _home_rows(status: Status, zone: ZoneInfo, now: datetime) -> Iterator[tuple[str, str]]:
    if status.main_fuse is not None:
        yield "main fuse", _main_fuse(status.main_fuse)
    if status.home_load is not None:
        yield "home's load", _load(status.home_load, zone, now)
    for limit in status.grid_limits or ():
        yield "grid operator", _grid_limit(limit, zone)
    if status.calendar_at is not None:
        yield "calendar", f"as of {_when(status.calendar_at, zone)}"


def _wishes(status: Status, zone: ZoneInfo) -> Iterator[tuple[str, str]]:
    for wish in status.wishes:
        away = status.away_until is not None and wish.by < status.away_until
        left_out = "; in the time away, so it does not count" if away else ""
        yield f"wish {wish.id}", _wish(wish, zone) + left_out
    if status.charge_now:
        yield "charge now", "asked for, at any price"
    if status.skip_until is not None:
        yield "no charging", f"until {_when(status.skip_until, zone)}"
    if status.away_until is not None:
        yield "away", f"until {_when(status.away_until, zone)}"


def _alert(code: str) -> str:
    """Write an alert with its meaning; a newer daemon may raise one that is not known here."""
    rule = ALERTS.get(code)
    return code if rule is None else f"{code}: {rule.raised_when}"


def _vehicle(status: Status) -> str:
    name = status.vehicle
    if status.connected:
        connection = "connected" if name is None else f"{name}, connected"
    else:
        connection = "none connected" + ("" if name is None else f"; {name} is expected")
    if not status.charging:
        return connection
    watts = status.reading.watts if status.reading else None
    return f"{connection}, charging" + ("" if watts is None else f" at {watts / 1000:.2f} kW")


def _soc_source(status: Status, zone: ZoneInfo, now: datetime) -> str:
    """Say where the state of charge comes from, and how old it is."""
    if status.soc_from is None:
        return ""
    text = f", {SOC_SOURCES[status.soc_from]}"
    if status.soc_at is None:
        return text  # from a daemon of an earlier version
    age = _age(status.soc_at, zone, now)
    if status.soc_from in {"recalled", "assumed"}:
        return f"{text} ({age})"
    if status.soc_from != "counted":
        return f"{text} {age}"
    since = f"{text} since {_when(status.soc_at, zone)}"
    base = status.soc_counted_from
    return since if base is None else f"{since}; at that time {SOC_SOURCES[base]}"


def _age(at: datetime, zone: ZoneInfo, now: datetime) -> str:
    minutes = max(0, int((now - at) / timedelta(minutes=1)))
    if minutes < 1:
        return "just now"
    if minutes < _MINUTES_SHOWN:
        return f"{minutes} min ago"
    return f"on {_when(at, zone)}"


def _goes_on(status: Status, zone: ZoneInfo) -> str | None:
    """Say until when a vehicle that has missed its departure charges on; no plan is in force."""
    if status.goes_on_until is None:
        return None
    until, missed = (
        _when(at, zone) for at in (status.goes_on_until, status.goes_on_until - GOES_ON)
    )
    return (
        f"goes on until {until} at the latest, towards the need of {missed};"
        " what comes next is planned after that"
    )


def _plan(plan: dict[str, Any] | None, zone: ZoneInfo, now: datetime) -> str:
    if plan is None:
        return "none"
    try:
        cost = format_money(plan["cost"], plan["currency"])
        by = _when(parse_instant(plan["departure"]), zone) + _event(plan)
        periods = [
            (parse_instant(period["start"]), parse_instant(period["end"]))
            for period in plan["periods"]
        ]
        text = (
            f"{plan['energy_kwh']:.2f} kWh{' more' if 'as_of' in plan else ''} for {cost},"
            f" to {plan['reaches_percent']:.0f} % by {by}"
        )
    except (KeyError, TypeError, ValueError):
        return "can't be read; another version may have made it"
    ends = {end for _, end in periods}
    starts = [start for start, _ in periods if start > now and start not in ends]
    return f"{text}; next start {_when(min(starts), zone)}" if starts else text


def _event(plan: dict[str, Any]) -> str:
    title = plan.get("event")
    return f" ({title!r} of the calendar)" if isinstance(title, str) else ""


def _wish(wish: AskedFor, zone: ZoneInfo) -> str:
    targets = ((wish.need_percent, "needed"), (wish.want_percent, "wanted"))
    asked = ", ".join(f"{percent:g} % {verb}" for percent, verb in targets if percent is not None)
    return f"{wish.vehicle}: {asked} by {_when(wish.by, zone)}"


def _rates(rates: KnownRates | None, zone: ZoneInfo) -> str:
    if rates is None:
        return "no tariff is in force yet"
    until = "" if rates.known_until is None else f" until {_when(rates.known_until, zone)}"
    words = {"known": "known", "estimated": "estimated; known", "none": "not known"}
    if rates.now == "estimated" and not until:
        return f"{rates.tariff}, estimated"
    return f"{rates.tariff}, {words[rates.now]}{until}"


def _grid_limit(limit: LimitOfGrid, zone: ZoneInfo) -> str:
    what = f"{limit.kw:g} kW" if limit.kw is not None else f"{limit.amps:g} A"
    at = "" if limit.charge_point is None else f" at {limit.charge_point}"
    until = "until it is lifted" if limit.until is None else f"until {_when(limit.until, zone)}"
    return f"allows only {what}{at}, {until}"


def _main_fuse(fuse: MainFuse) -> str:
    """Write the main fuse, and what the plan expects the home to draw."""
    text = _phases(fuse.amps)
    if fuse.max_power_kw is not None:
        text += f", at most {fuse.max_power_kw:g} kW together"
    if fuse.reserve_amps:
        text += f", {fuse.reserve_amps:g} A of it kept free"
    if fuse.expects_amps is None:
        return f"{text}; the plan expects no load of the home beside the charging"
    learned = ", as its meter has shown in past weeks" if fuse.expects_from == "learned" else ""
    return f"{text}; the plan expects the home to draw {_phases(fuse.expects_amps)} now{learned}"


def _load(load: LoadOfHome, zone: ZoneInfo, now: datetime) -> str:
    """Write a reading of the home's load, how old it is, and what it leaves."""
    text = f"{_phases(load.amps)} {_age(load.at, zone, now)}"
    if load.leaves_amps is not None:
        power = "" if load.leaves_kw is None else f" and {load.leaves_kw:g} kW of the home's power"
        text += f"; leaves {_phases(load.leaves_amps)} of the main fuse{power}"
    if not load.fixed_parts:
        return text if load.leaves_amps is not None else f"{text}; nothing is known now"
    seldom = load.gap_seconds is not None and load.leaves_amps is not None
    why = f"{load.gap_seconds} s passed between two readings" if seldom else "silent since then"
    return f"{text}; {why}: the charge points keep to their fixed parts of the fuse"


def _phases(amps: tuple[float, ...]) -> str:
    if len(set(amps)) == 1:
        return f"{amps[0]:g} A"
    return ", ".join(f"L{number} {each:g} A" for number, each in enumerate(amps, 1))


def _when(instant: datetime, zone: ZoneInfo) -> str:
    return local_time(instant, zone, "%a %d %b %H:%M")
