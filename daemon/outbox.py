"""From what a controller asks for to rows and messages: recorded first, then published."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any, Protocol

import structlog

from adapters.ledger_json import dump_exact
from adapters.messages import Alert, Command, DaemonState, encode
from config.errors import LedgerError, TariffError
from daemon.events import AnnouncePlan, Assert, CloseNight, Issue, Note, Warn
from daemon.nights import counted_from, night_record
from daemon.status import BELIEVE_FOR
from planners.departures import night_bounds

if TYPE_CHECKING:
    from collections.abc import Sequence
    from datetime import datetime
    from typing import Literal

    from adapters.ledger import Ledger
    from adapters.messages import Message, Status
    from adapters.topics import Topics
    from daemon.events import Action, CommandInForce, NightFacts
    from daemon.nights import Charged
    from daemon.state import House
    from planners.plan import Plan

_log = structlog.get_logger(__name__)

STATUS_EVERY = BELIEVE_FOR / 2
"""A status that says nothing new is published again this often, so that it stays believable."""


class Publisher(Protocol):
    """The part of the bus that is written to."""

    def publish(self, topic: str, payload: bytes, *, retain: bool) -> bool:
        """Hand a message to the broker; False, and nothing sent, while there is none."""
        ...


def command_message(command: CommandInForce) -> Command:
    """Return a command as the bus carries it."""
    return Command(
        serial=command.serial,
        do=command.do,
        amps=command.amps,
        valid_until=command.valid_until,
        plan=command.plan,
        why=command.why,
    )


class Outbox:
    """Carries out actions.

    Parameters
    ----------
    topics : Topics
        The household's.
    ledger : Ledger
        Where everything is recorded before it is published.
    bus : Publisher
        Where it is published.
    """

    def __init__(self, topics: Topics, ledger: Ledger, bus: Publisher) -> None:
        self._topics = topics
        self._ledger = ledger
        self._bus = bus
        self._statuses: dict[str, Status] = {}
        self._online_at: datetime | None = None

    def carry_out(
        self, point: str, action: Action, now: datetime, house: House
    ) -> dict[str, Any] | None:
        """Do one thing a controller asked for.

        Parameters
        ----------
        point : str
            The charge point.
        action : Action
            What to do.
        now : datetime
            UTC.
        house : House
            The household file and the rates.

        Returns
        -------
        dict or None
            The record of a night that was closed by it.

        Raises
        ------
        LedgerError
            If it can't be recorded; then it is not published either.
        """  # noqa: DOC502 - raised by the ledger
        match action:
            case Issue(command):
                self._record_command(point, command, now)
                self._send(self._topics.command(point), command_message(command), retain=True)
            case Assert(command):
                self._send(self._topics.command(point), command_message(command), retain=True)
            case AnnouncePlan(plan):
                self._announce(point, plan)
            case CloseNight(facts):
                return self._close(point, facts, house)
            case Warn(code, message):
                self._ledger.add_alert(point, now, code, message)
                alert = Alert(code=code, at=now, message=message)
                self._send(self._topics.alert(point), alert, retain=False)
                _log.warning("alert", charge_point=point, code=code, message=message)
            case Note(event, facts):
                _log.info(event, **facts)
        return None

    def say_online(self, now: datetime) -> None:
        """Publish that the daemon runs, if that was not said lately."""
        if self._online_at is None or now >= self._online_at + STATUS_EVERY:
            self._online_at = now
            self._say_daemon("online", now)

    def say_offline(self, now: datetime) -> None:
        """Publish that the daemon is about to end."""
        self._say_daemon("offline", now)

    def say_status(self, point: str, status: Status) -> None:
        """Publish what is believed of a charge point, if it is news or the last grows stale."""
        last = self._statuses.get(point)
        if last is not None and status.at < last.at + STATUS_EVERY and _gist(last) == _gist(status):
            return
        self._statuses[point] = status
        self._send(self._topics.status(point), status, retain=True)

    def say_plan(self, point: str, plan: Plan | None) -> None:
        """Publish the plan in force again; without one, take the retained one away."""
        payload = dump_exact(plan.to_json()).encode() if plan else b""
        self._bus.publish(self._topics.plan(point), payload, retain=True)

    def forget_what_was_said(self) -> None:
        """Say everything again: the broker may be a new one."""
        self._statuses.clear()
        self._online_at = None

    def _say_daemon(self, state: Literal["online", "offline"], now: datetime) -> None:
        message = DaemonState(state=state, at=now, stale_after=now + BELIEVE_FOR)
        self._send(self._topics.daemon, message, retain=True)

    def _record_command(self, point: str, command: CommandInForce, now: datetime) -> None:
        """Record a command; one that can't be recorded is sent all the same: it may be a stop."""
        try:
            self._ledger.add_command(
                point, now, command.serial, do=command.do, amps=command.amps,
                valid_until=command.valid_until, why=command.why,
            )  # fmt: skip
        except LedgerError as error:
            _log.error("a command is sent that can't be recorded", why=str(error))

    def _announce(self, point: str, plan: Plan) -> None:
        document = plan.to_json()
        self._ledger.add_plan(point, plan.made_at, document)
        self.say_plan(point, plan)
        _log.info(
            "planned", charge_point=point, kwh=document["energy_kwh"], cost=document["cost"],
            currency=plan.currency, periods=len(plan.periods), why=" ".join(plan.why),
        )  # fmt: skip

    def _close(self, point: str, facts: NightFacts, house: House) -> dict[str, Any] | None:
        start, end = night_bounds(facts.night, house.file.zone)
        end = min(end, facts.closed_at)
        readings = self._ledger.register_readings(point, start, end)
        try:
            since = counted_from(house, facts)
            charged = self._charged(house, since, end) if since else ()
            record = night_record(house, facts, readings, charged)
        except TariffError as error:
            _log.error("the night can't be priced", night=facts.night.isoformat(), why=str(error))
            return None
        news = self._ledger.close_night(facts.night, point, facts.vehicle, facts.closed_at, record)
        if not news:
            return None
        self._bus.publish(self._topics.night(point), dump_exact(record).encode(), retain=False)
        _log.info(
            "night closed", charge_point=point, night=record["night"],
            kwh=str(record["energy_kwh"]), cost=str(record["cost"]), currency=record["currency"],
        )  # fmt: skip
        return record

    def _charged(self, house: House, since: datetime, end: datetime) -> Sequence[Charged]:
        """Read what each charge point's meter showed since the count of use began."""
        return [
            (name, self._ledger.register_readings(name, since, end))
            for name in house.file.charge_points
        ]

    def _send(self, topic: str, message: Message, *, retain: bool) -> None:
        self._bus.publish(topic, encode(message), retain=retain)


def _gist(status: Status) -> tuple[object, ...]:
    """Give what makes a status news: not the instants, nor every watt-hour."""
    soc = None if status.soc_percent is None else round(status.soc_percent)
    return (
        status.connected, status.charging, status.do, status.serial, status.plan, soc,
        status.soc_from, status.rates,
    )  # fmt: skip
