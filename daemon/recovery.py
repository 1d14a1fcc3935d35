"""From the ledger back to what was known: starting and recovering are the same."""

from __future__ import annotations

from dataclasses import replace
from datetime import UTC, date, datetime, timedelta
from typing import TYPE_CHECKING, Any

from adapters.instants import parse_instant
from adapters.ledger_json import dump_exact
from adapters.messages import Request, decode
from daemon.confirming import told
from daemon.events import CommandInForce
from daemon.learning import AHEAD, CONNECTED, FAULTS, OLD_SOC, wishes_with
from daemon.recalling import REMEMBERED
from daemon.state import Memory, OpenNight, PointState, SocFact, Wishes, register_wh_at
from planners.accounts import RegisterReading
from planners.departures import DepartureAt, night_of

if TYPE_CHECKING:
    from zoneinfo import ZoneInfo

    from adapters.ledger import Ledger
    from adapters.ledger_rows import LastVehicleReports
    from daemon.state import House

SERIALS_SINCE = datetime(2026, 1, 1, tzinfo=UTC)
"""A new ledger's serials begin at the minutes since; fewer than that are ever given."""

WISHES_HOLD = timedelta(days=14)
"""What was asked for longer ago, and for no departure since, is forgotten at a start."""


def recover(ledger: Ledger, charge_point: str, now: datetime, house: House) -> PointState:
    """Give the state of a charge point as the ledger knows it.

    Parameters
    ----------
    ledger : Ledger
        The durable record.
    charge_point : str
        Its name in the household file.
    now : datetime
        UTC.
    house : House
        The household file and the rates.

    Returns
    -------
    PointState
        Its plan is stale: the plan is made anew from what is known.
    """
    told = ledger.last_vehicle_reports(charge_point)
    reading = ledger.last_reading(charge_point)
    kept = ledger.open_night(charge_point)
    night = open_night_of(kept) if kept else None
    memory = night.memory if night else Memory()
    tells = told.pilot is not None and told.pilot not in FAULTS
    plugged_in = told.pilot in CONNECTED if tells else memory.plugged_in
    state = PointState(
        charge_point,
        plugged_in=plugged_in,
        pilot=told.pilot,
        pilot_at=told.pilot_at,
        soc_at=told.soc_at,
        soc=memory.soc,
        register=_register(ledger, charge_point, now),
        watts=reading.watts if reading else None,
        wishes=memory.wishes if night else _wishes(ledger, charge_point, now, house.file.zone),
        watts_at=reading.at if reading and reading.watts is not None else None,
        vehicle=memory.vehicle,
        left_with=_left_with(ledger, charge_point, now, house.file.zone),
        stopped_itself=memory.stopped_itself,
        night=night,
        plan_stale=True,
    )
    return _with_command(_with_last_report(state, told, now), ledger, now)


def _with_last_report(state: PointState, told: LastVehicleReports, now: datetime) -> PointState:
    """Take in a state of charge that was kept, but not acted on, when the daemon ended."""
    at = told.soc_at
    if told.soc_percent is None or at is None:
        return state
    if state.soc is not None:
        is_news = at > state.soc.at
    else:
        # What was reported before the vehicle left says nothing of its return.
        is_news = told.pilot_at is not None and at >= told.pilot_at and now - at < OLD_SOC
    if not is_news:
        return state
    fact = SocFact(told.soc_percent, at, "vehicle", register_wh_at(state, at))
    return replace(state, soc=fact)


def _wishes(ledger: Ledger, charge_point: str, now: datetime, zone: ZoneInfo) -> Wishes:
    """Give what was asked for since the last departure, while no night is open."""
    since = now - WISHES_HOLD
    for night in ledger.nights(night_of(since, zone), None, charge_point):
        closed_at = parse_instant(night["closed_at"])
        left = parse_instant(night["departure"]) if night["departure"] else closed_at
        since = max(since, min(left, closed_at))
    wishes = Wishes()
    for stored in ledger.requests_since(charge_point, since):
        request = decode(Request, dump_exact(stored.body).encode())
        wishes = wishes_with(wishes, request)
    return wishes


def _left_with(ledger: Ledger, charge_point: str, now: datetime, zone: ZoneInfo) -> SocFact | None:
    """Give what the vehicle left with at the end of the last night that knows it."""
    nights = ledger.nights(night_of(now - REMEMBERED, zone), None, charge_point)
    for night in reversed(nights):
        if night["soc_after_percent"] is not None:
            at = parse_instant(night["departure"] or night["closed_at"])
            return SocFact(float(night["soc_after_percent"]), at, "counted", None)
    return None


def _with_command(state: PointState, ledger: Ledger, now: datetime) -> PointState:
    stored = ledger.last_command(state.charge_point)
    if stored is None:
        # A new ledger, or a lost one: hardware may remember serials given before.
        return replace(state, serial=max(0, (now - SERIALS_SINCE) // timedelta(minutes=1)))
    command = CommandInForce(
        stored.serial, stored.do, stored.amps, stored.valid_until, None, stored.why
    )
    state = replace(
        state,
        command=command,
        serial=stored.serial,
        switched_at=ledger.switched_at(state.charge_point),
    )
    # It is asserted as soon as there is a broker; the answer is waited for from now on.
    return replace(state, answer=told(state, now, anew=True))


def _register(ledger: Ledger, charge_point: str, now: datetime) -> RegisterReading | None:
    latest = now + AHEAD
    readings = ledger.register_readings(charge_point, now, latest)
    return next((reading for reading in reversed(readings) if reading.at <= latest), None)


def open_night_body(night: OpenNight) -> dict[str, Any]:
    """Write the night in progress as JSON values, its instants exactly."""
    return {
        "night": night.night.isoformat(),
        "vehicle": night.vehicle,
        "plugged_since": night.plugged_since.isoformat(),
        "departed": _departure_body(night.departed),
        "departure": _departure_body(night.departure),
        "soc_before_percent": night.soc_before_percent,
        "soc_from": night.soc_from,
        "soc_after_percent": night.soc_after_percent,
        "planned_cost": night.planned_cost,
        "starts": night.starts,
        "accounted_wh": night.accounted_wh,
        "closed": night.closed,
        "memory": _memory_body(night.memory),
    }


def open_night_of(body: dict[str, Any]) -> OpenNight:
    """Read what `open_night_body` wrote."""
    return OpenNight(
        night=date.fromisoformat(body["night"]),
        vehicle=body["vehicle"],
        plugged_since=parse_instant(body["plugged_since"]),
        departed=_departure_of(body["departed"]),
        departure=_departure_of(body["departure"]),
        soc_before_percent=_float(body["soc_before_percent"]),
        soc_from=body["soc_from"],
        soc_after_percent=_float(body["soc_after_percent"]),
        planned_cost=float(body["planned_cost"]),
        starts=body["starts"],
        accounted_wh=body["accounted_wh"],
        closed=body["closed"],
        memory=_memory_of(body["memory"]),
    )


def _memory_body(memory: Memory) -> dict[str, Any]:
    soc, wishes = memory.soc, memory.wishes
    return {
        "plugged_in": memory.plugged_in,
        "soc": soc
        and {
            "percent": soc.percent,
            "at": soc.at.isoformat(),
            "source": soc.source,
            "register_wh": soc.register_wh,
        },
        "wishes": {
            "want_percent": wishes.want_percent,
            "need_percent": wishes.need_percent,
            "by": wishes.by and wishes.by.isoformat(),
            "charge_now": wishes.charge_now,
            "skip_until": wishes.skip_until and wishes.skip_until.isoformat(),
        },
        "vehicle": memory.vehicle,
        "stopped_itself": memory.stopped_itself,
    }


def _memory_of(body: dict[str, Any]) -> Memory:
    soc, wishes = body["soc"], body["wishes"]
    return Memory(
        plugged_in=body["plugged_in"],
        soc=soc
        and SocFact(
            float(soc["percent"]), parse_instant(soc["at"]), soc["source"], soc["register_wh"]
        ),
        wishes=Wishes(
            want_percent=_float(wishes["want_percent"]),
            need_percent=_float(wishes["need_percent"]),
            by=wishes["by"] and parse_instant(wishes["by"]),
            charge_now=wishes["charge_now"],
            skip_until=wishes["skip_until"] and parse_instant(wishes["skip_until"]),
        ),
        # Nights that were open before these were kept have neither.
        vehicle=body.get("vehicle"),
        stopped_itself=body.get("stopped_itself", False),
    )


def _departure_body(departure: DepartureAt | None) -> dict[str, Any] | None:
    if departure is None:
        return None
    return {
        "vehicle": departure.vehicle,
        "instant": departure.instant.isoformat(),
        "ready_by": departure.ready_by.isoformat(),
        "need_percent": departure.need_percent,
        "want_percent": departure.want_percent,
        "max_rate": departure.max_rate,
        "returns": departure.returns and departure.returns.isoformat(),
        "uses_kwh": departure.uses_kwh,
    }


def _departure_of(body: dict[str, Any] | None) -> DepartureAt | None:
    if body is None:
        return None
    return DepartureAt(
        vehicle=body["vehicle"],
        instant=parse_instant(body["instant"]),
        ready_by=parse_instant(body["ready_by"]),
        need_percent=float(body["need_percent"]),
        want_percent=float(body["want_percent"]),
        max_rate=body["max_rate"],
        # Nights that were open before trips were known have neither.
        returns=parse_instant(body["returns"]) if body.get("returns") else None,
        uses_kwh=_float(body.get("uses_kwh")),
    )


def _float(number: Any) -> float | None:  # noqa: ANN401 - a JSON value
    return None if number is None else float(number)
