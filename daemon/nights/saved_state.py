"""Write and read the saved state of a charge point as JSON values.

The ledger stores it as one row: the night in progress, the part of the state that no other row
holds, and the nights that still have to be recorded.
"""

from __future__ import annotations

from dataclasses import dataclass, field
from datetime import date, datetime
from typing import TYPE_CHECKING, Any, Literal

from adapters.clocks.instants import parse_instant
from adapters.contract.messages import Request
from daemon.control.alerts import ClearedBy, clear_alerts
from daemon.control.events import LoweredByLoad, NightFacts
from daemon.control.state import (
    ActualShare,
    Gap,
    OpenNight,
    OtherVehicle,
    Response,
    SocFact,
    Wishes,
)
from daemon.nights.stays import stay_of, stay_values
from planners.local_time.departures import DepartureAt
from planners.local_time.wished_departures import Wish
from planners.power.excess_current import ExcessCurrent

if TYPE_CHECKING:
    from daemon.control.state import PointState


@dataclass(frozen=True, slots=True)
class Memory:
    """The part of a charge point's state that no other row of the ledger holds.

    `response_to` is the kind of command that `response` belongs to. `asked_before` is what a
    version with one wish for all departures kept of a person's requests. The others are as in
    `PointState`.
    """

    plugged_in: bool = False
    soc: SocFact | None = None
    wishes: Wishes = field(default_factory=Wishes)
    asked_before: Request | None = None
    vehicle: str | None = None
    stopped_itself: bool = False
    left_with: SocFact | None = None
    others: tuple[OtherVehicle, ...] = ()
    response: Response | None = None
    response_to: Literal["start", "stop"] | None = None
    actual_share: ActualShare = field(default_factory=ActualShare)
    excess: ExcessCurrent | None = None
    is_load_read: bool = False
    alerts: frozenset[str] = frozenset()


@dataclass(frozen=True, slots=True)
class PendingNights:
    """Nights that have to be recorded as soon as possible.

    Attributes
    ----------
    facts : tuple of NightFacts
        Nights that were closed and could not be recorded.
    nights : tuple of date
        Nights to account for again, because the meter reported later what flowed in them.
    read_to : datetime or None
        The latest reading that has been checked for such nights.
    """

    facts: tuple[NightFacts, ...] = ()
    nights: tuple[date, ...] = ()
    read_to: datetime | None = None


@dataclass(frozen=True, slots=True)
class SavedState:
    """All that is saved of a charge point."""

    night: OpenNight | None
    memory: Memory
    pending: PendingNights


def memory_of(state: PointState) -> Memory:
    """Return the part of a state that no other row holds."""
    return Memory(
        plugged_in=state.plugged_in,
        soc=state.soc,
        wishes=state.wishes,
        vehicle=state.vehicle,
        stopped_itself=state.stopped_itself,
        left_with=state.left_with,
        others=state.others,
        response=state.response,
        response_to=state.command.do if state.command else None,
        actual_share=state.actual_share,
        excess=state.current_watch.excess,
        is_load_read=state.is_load_read,
        # Each process finds out again whether the ledger and the bus work.
        alerts=clear_alerts(state, ClearedBy.RESTART).alerts,
    )


def saved_body(state: PointState, pending: PendingNights | None = None) -> dict[str, Any]:
    """Write a saved state as JSON values, with exact instants.

    Parameters
    ----------
    state : PointState
        The charge point.
    pending : PendingNights, optional
        Its nights that have to be recorded.

    Returns
    -------
    dict
        For `read_saved`.
    """
    pending = pending or PendingNights()
    return {
        "open": _night_body(state.night) if state.night else None,
        "memory": _memory_body(memory_of(state)),
        "owed": [_facts_body(facts) for facts in pending.facts],
        "owed_nights": [night.isoformat() for night in pending.nights],
        "read_to": _text(pending.read_to),
    }


def read_saved(body: dict[str, Any]) -> SavedState:
    """Read what `saved_body` wrote; early versions wrote the open night alone."""
    night = body.get("open", body)
    return SavedState(
        night=_night_of(night) if night else None,
        memory=_memory_of(body["memory"]),
        pending=PendingNights(
            tuple(_facts_of(facts) for facts in body.get("owed", ())),
            tuple(date.fromisoformat(text) for text in body.get("owed_nights", ())),
            _instant(body.get("read_to")),
        ),
    )


# --- the night in progress --------------------------------------------------------------------


def _night_body(night: OpenNight) -> dict[str, Any]:
    return {
        "night": night.night.isoformat(),
        "vehicle": night.vehicle,
        "plugged_since": _text(night.plugged_since),
        "stays": [stay_values(stay) for stay in night.stays],
        "departure": _departure_body(night.departure),
        "soc_before_percent": night.soc_before_percent,
        "soc_from": night.soc_from,
        "soc_after_percent": night.soc_after_percent,
        "planned_cost": night.planned_cost,
        "starts": night.starts,
        "accounted_wh": night.accounted_wh,
        "closed": night.closed,
        "lowered": _lowered_body(night.lowered),
        "gap": _gap_body(night.gap),
    }


def _night_of(body: dict[str, Any]) -> OpenNight:
    if body.get("departed") is not None:
        return _night_with_one_stay(body)
    return OpenNight(
        night=date.fromisoformat(body["night"]),
        vehicle=body["vehicle"],
        plugged_since=_instant(body["plugged_since"]),
        stays=tuple(stay_of(stay) for stay in body.get("stays", ())),
        departure=_departure_of(body["departure"]),
        soc_before_percent=_float(body["soc_before_percent"]),
        soc_from=body["soc_from"],
        soc_after_percent=_float(body["soc_after_percent"]),
        planned_cost=float(body["planned_cost"]),
        starts=body["starts"],
        accounted_wh=body["accounted_wh"],
        closed=body["closed"],
        lowered=_lowered_of(body.get("lowered")),
        gap=_gap_of(body.get("gap")),
    )


def _gap_body(gap: Gap | None) -> dict[str, Any] | None:
    if gap is None:
        return None
    return {
        "stay": stay_values(gap.stay),
        "begins_wh": gap.begins_wh,
        "closed": gap.closed,
        "ends": _text(gap.ends),
        "ends_wh": gap.ends_wh,
    }


def _gap_of(body: dict[str, Any] | None) -> Gap | None:
    if body is None:
        return None
    return Gap(
        stay=stay_of(body["stay"]),
        begins_wh=body["begins_wh"],
        closed=body["closed"],
        ends=_instant(body["ends"]),
        ends_wh=body["ends_wh"],
    )


def _lowered_body(lowered: LoweredByLoad | None) -> dict[str, Any] | None:
    if lowered is None:
        return None
    return {
        "seconds": lowered.seconds,
        "least_amps": lowered.least_amps,
        "load_amps": lowered.load_amps,
        "since": _text(lowered.since),
    }


def _lowered_of(body: dict[str, Any] | None) -> LoweredByLoad | None:
    if body is None:
        return None
    return LoweredByLoad(
        float(body["seconds"]),
        float(body["least_amps"]),
        float(body["load_amps"]),
        _instant(body["since"]),
    )


def _night_with_one_stay(body: dict[str, Any]) -> OpenNight:
    """Read a night of an earlier version, which kept only the first departure that had passed."""
    departed = body["departed"]
    of_departure = {
        "departure": departed["instant"],
        "need_percent": departed["need_percent"],
        "want_percent": departed["want_percent"],
    }
    stay = stay_of({**body, **of_departure})
    return OpenNight(
        night=date.fromisoformat(body["night"]),
        vehicle=body["vehicle"],
        plugged_since=None,
        stays=(stay,),
        accounted_wh=body["accounted_wh"],
        closed=body["closed"],
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
        "returns": _text(departure.returns),
        "uses_kwh": departure.uses_kwh,
        "wish": departure.wish,
        "event": departure.event,
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
        # Versions without trips wrote neither.
        returns=_instant(body.get("returns")),
        uses_kwh=_float(body.get("uses_kwh")),
        wish=body.get("wish"),
        event=body.get("event"),
    )


# --- the memory -------------------------------------------------------------------------------


def _memory_body(memory: Memory) -> dict[str, Any]:
    response, share, excess = memory.response, memory.actual_share, memory.excess
    return {
        "plugged_in": memory.plugged_in,
        "soc": _soc_body(memory.soc),
        "wishes": _wishes_body(memory.wishes),
        "vehicle": memory.vehicle,
        "stopped_itself": memory.stopped_itself,
        "left_with": _soc_body(memory.left_with),
        "others": [
            {
                "name": other.name,
                "soc": _soc_body(other.soc),
                "left_with": _soc_body(other.left_with),
            }
            for other in memory.others
        ],
        "answer": response
        and {
            "since": response.since.isoformat(),
            "register_wh": response.register_wh,
            "flowed": response.flowed,
            "wrong_since": _text(response.wrong_since),
            "repeats": response.repeats,
        },
        "answers": memory.response_to,
        "drawn": {
            "share": share.planned,
            "seen": share.measured,
            "seen_since": _text(share.measured_since),
        },
        "excess": excess and {"told_amps": excess.told_amps, "taken_amps": excess.taken_amps},
        "load_read": memory.is_load_read,
        "said": sorted(memory.alerts),
    }


def _memory_of(body: dict[str, Any]) -> Memory:
    """Read a memory; earlier versions wrote fewer keys."""
    response, share, excess = body.get("answer"), body.get("drawn"), body.get("excess")
    return Memory(
        plugged_in=body["plugged_in"],
        soc=_soc_of(body["soc"]),
        wishes=_wishes_of(body["wishes"]),
        asked_before=_asked_before(body["wishes"]),
        vehicle=body.get("vehicle"),
        stopped_itself=body.get("stopped_itself", False),
        left_with=_soc_of(body.get("left_with")),
        others=tuple(
            OtherVehicle(other["name"], _soc_of(other["soc"]), _soc_of(other["left_with"]))
            for other in body.get("others", ())
        ),
        response=_response_of(response) if response else None,
        response_to=body.get("answers"),
        actual_share=_share_of(share) if share else ActualShare(),
        is_load_read=body.get("load_read", False),
        excess=ExcessCurrent(float(excess["told_amps"]), float(excess["taken_amps"]))
        if excess
        else None,
        alerts=frozenset(body.get("said", ())),
    )


def _wishes_body(wishes: Wishes) -> dict[str, Any]:
    return {
        # Earlier versions read these three, and would be wrong about a wish for a later day.
        "want_percent": None,
        "need_percent": None,
        "by": None,
        "charge_now": wishes.charge_now,
        "skip_until": _text(wishes.skip_until),
        "away_until": _text(wishes.away_until),
        "departures": [
            {
                "id": wish.id,
                "vehicle": wish.vehicle,
                "by": wish.by.isoformat(),
                "need_percent": wish.need_percent,
                "want_percent": wish.want_percent,
            }
            for wish in wishes.departures
        ],
    }


def _wishes_of(body: dict[str, Any]) -> Wishes:
    return Wishes(
        departures=tuple(
            Wish(
                id=wish["id"],
                vehicle=wish["vehicle"],
                by=parse_instant(wish["by"]),
                need_percent=_float(wish["need_percent"]),
                want_percent=_float(wish["want_percent"]),
            )
            for wish in body.get("departures", ())
        ),
        charge_now=body["charge_now"],
        skip_until=_instant(body["skip_until"]),
        away_until=_instant(body.get("away_until")),
    )


def _asked_before(body: dict[str, Any]) -> Request | None:
    need, want = _float(body["need_percent"]), _float(body["want_percent"])
    if need is None and want is None:
        return None
    # These versions took the lower number for the need, and accepted any.
    need = need if need is None or want is None else min(need, want)
    return Request(need_percent=need, want_percent=want, by=_instant(body["by"]))


def _response_of(body: dict[str, Any]) -> Response:
    return Response(
        since=parse_instant(body["since"]),
        register_wh=body["register_wh"],
        flowed=body["flowed"],
        wrong_since=_instant(body["wrong_since"]),
        repeats=body["repeats"],
    )


def _share_of(body: dict[str, Any]) -> ActualShare:
    return ActualShare(float(body["share"]), _float(body["seen"]), _instant(body["seen_since"]))


def _soc_body(soc: SocFact | None) -> dict[str, Any] | None:
    if soc is None:
        return None
    return {
        "percent": soc.percent,
        "at": soc.at.isoformat(),
        "source": soc.source,
        "register_wh": soc.register_wh,
        "commanded_percent": soc.commanded_percent,
        "commanded_to": _text(soc.commanded_to),
    }


def _soc_of(body: dict[str, Any] | None) -> SocFact | None:
    if body is None:
        return None
    return SocFact(
        float(body["percent"]), parse_instant(body["at"]), body["source"], body["register_wh"],
        # Earlier versions wrote neither.
        float(body.get("commanded_percent", 0.0)), _instant(body.get("commanded_to")),
    )  # fmt: skip


# --- pending nights ---------------------------------------------------------------------------


def _facts_body(facts: NightFacts) -> dict[str, Any]:
    return {
        "night": facts.night.isoformat(),
        "charge_point": facts.charge_point,
        "stays": [stay_values(stay) for stay in facts.stays],
        "closed_at": facts.closed_at.isoformat(),
        "lowered": _lowered_body(facts.lowered),
    }


def _facts_of(body: dict[str, Any]) -> NightFacts:
    return NightFacts(
        night=date.fromisoformat(body["night"]),
        charge_point=body["charge_point"],
        # An earlier version kept the fields of one stay beside the others.
        stays=tuple(stay_of(stay) for stay in body.get("stays", (body,))),
        closed_at=parse_instant(body["closed_at"]),
        lowered=_lowered_of(body.get("lowered")),
    )


def _text(instant: datetime | None) -> str | None:
    return None if instant is None else instant.isoformat()


def _instant(text: str | None) -> datetime | None:
    return None if text is None else parse_instant(text)


def _float(number: Any) -> float | None:  # noqa: ANN401 - a JSON value
    return None if number is None else float(number)
