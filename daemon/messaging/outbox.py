"""Carry out what a controller asks for: record it in the ledger, then publish it."""

from __future__ import annotations

from contextlib import contextmanager
from datetime import timedelta
from typing import TYPE_CHECKING, Any, Protocol

import structlog

from adapters.contract.messages import Alert, Answer, Command, DaemonState, encode
from adapters.ledger.exact_json import dump_exact
from adapters.ledger.rows import BROKER_BACK
from config.files.errors import LedgerError
from daemon.control.events import AnnouncePlan, Assert, CloseNight, Issue, Note, Warn
from daemon.messaging.status import BELIEVE_FOR
from daemon.nights.account import counted_from, night_record
from daemon.nights.metered import night_meters
from daemon.nights.unknown_time import has_register, unknown_time
from planners.local_time.departures import night_bounds

if TYPE_CHECKING:
    from collections.abc import Callable, Iterator, Mapping, Sequence
    from datetime import datetime
    from typing import Literal

    from adapters.contract.messages import Message, Status
    from adapters.contract.topics import Topics
    from adapters.ledger.ledger import Ledger
    from adapters.ledger.rows import HappeningKind
    from daemon.control.events import Action, CommandInForce, NightFacts
    from daemon.control.state import House
    from daemon.messaging.instance import Instance
    from planners.plan.plan import Plan

_log = structlog.get_logger(__name__)

STATUS_EVERY = BELIEVE_FOR / 2
"""An unchanged status is published again this often, so that it does not become stale."""

LOAD_SHOWN_EVERY = timedelta(seconds=30)
"""How often it is published only because of a new reading of the home's load."""

POWER_EVERY = timedelta(seconds=5)
"""A status is not published more often than this for nothing but another power."""

NOTICED_WATTS = 200
"""A change of the power that is news [W]."""

CORRECTED_EVERY = timedelta(seconds=1)


class Publisher(Protocol):
    """The publishing part of the bus."""

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
        phases=command.phases if command.do == "start" else None,
    )


class Outbox:
    """Records and publishes what a controller asks for.

    Parameters
    ----------
    topics : Topics
        The household's.
    ledger : Ledger
        Where everything is recorded before it is published.
    bus : Publisher
        Where it is then published.
    me : Instance, optional
        This process of the daemon, so that another one can tell them apart.
    run_command : callable, optional
        Runs the user's own command with an alert on its standard input.

    Attributes
    ----------
    correction_due : datetime or None
        When `online` must be published again, if a message to the contrary came.
    """

    def __init__(
        self,
        topics: Topics,
        ledger: Ledger,
        bus: Publisher,
        *,
        me: Instance | None = None,
        run_command: Callable[[Sequence[str], bytes], None] | None = None,
    ) -> None:
        self._topics = topics
        self._me = me
        self._run_command = run_command
        self._ledger = ledger
        self._bus = bus
        self._statuses: dict[str, Status] = {}
        self._plans: dict[str, dict[str, Any]] = {}
        self._refreshed: dict[str, Plan | None] = {}
        self._online_at: datetime | None = None
        self._may_correct_at: datetime | None = None
        self.correction_due: datetime | None = None
        self._is_waiting = False
        self._ledger_errors: list[LedgerError] = []

    def carry_out(
        self, point: str, action: Action, now: datetime, house: House
    ) -> dict[str, Any] | None:
        """Carry out one action of a controller.

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
            The record of the night, if the action closed one.

        Raises
        ------
        LedgerError
            If a night can't be recorded; then it is not published either. Anything else is
            published all the same, and `take_ledger_errors` returns the error.
        TariffError
            If a night can't be priced.
        """  # noqa: DOC502 - raised by the ledger and by the rates
        match action:
            case Issue(command, extends):
                message = command_message(command)
                self._record_command(point, message, extends, now)
                self._send(self._topics.command(point), message, retain=True)
            case Assert(command):
                self._send(self._topics.command(point), command_message(command), retain=True)
            case AnnouncePlan(plan):
                self._announce(point, plan)
            case CloseNight(facts):
                return self.record_night(facts, house)
            case Warn(code, message):
                self._warn(point, Alert(code=code, at=now, message=message), house)
            case Note(event, facts):
                _log.info(event, **facts)
        return None

    def record_happening(
        self, what: HappeningKind, now: datetime, body: Mapping[str, object] | None = None
    ) -> None:
        """Record an event of the daemon itself, so that the ledger can explain a night."""
        try:
            self._ledger.add_happening(now, what, body)
        except LedgerError as error:
            self._ledger_errors.append(error)
            _log.error("an event of the daemon can't be recorded", what=what, why=str(error))

    def record_broker_back(self, now: datetime) -> None:
        """Record that the broker is back after an alert, so that the ledger can explain a night."""
        with self._sent_anyway("the broker's return"):
            self._ledger.add_alert(None, now, BROKER_BACK, "The broker is back.")

    def take_ledger_errors(self) -> list[LedgerError]:
        """Return the ledger's errors since the last call, and forget them."""
        errors, self._ledger_errors = self._ledger_errors, []
        return errors

    def set_instance(self, me: Instance) -> None:
        """Publish as this process from now on."""
        self._me = me

    def publish_answer(self, point: str, answer: Answer) -> None:
        """Publish the answer to a person's request."""
        self._send(self._topics.answer(point), answer, retain=False)

    def night_account(self, facts: NightFacts, house: House) -> dict[str, Any]:
        """Return the record of a night, made from the stored readings.

        Parameters
        ----------
        facts : NightFacts
            What else is known about it.
        house : House
            The household file and the rates.

        Returns
        -------
        dict
            From `daemon.nights.account.night_record`.

        Raises
        ------
        LedgerError
            If the readings can't be read.
        TariffError
            If it can't be priced.
        """  # noqa: DOC502 - raised by the ledger and by the rates
        start, end = night_bounds(facts.night, house.file.days)
        end = min(end, facts.closed_at)
        meters = night_meters(house, self._ledger, facts, counted_from(house, facts))
        read_at = [reading.at for reading in meters.readings if reading.gap is None]
        unknown = self._unknown_hours(facts.charge_point, read_at, house, (start, end))
        return night_record(house, facts, meters, unknown)

    def _unknown_hours(
        self,
        point: str,
        readings: Sequence[datetime],
        house: House,
        span: tuple[datetime, datetime],
    ) -> float:
        """Return for how long nothing shows whether a vehicle charged [h]."""
        before = self._ledger.command_before(point, span[0])
        during = self._ledger.commands_between(point, *span)
        commands = during if before is None else (before, *during)
        counts = has_register(house.file.charge_points[point])
        unknown = unknown_time(commands, readings, *span, has_register=counts)
        return round(unknown / timedelta(hours=1), 2)

    def record_night(self, facts: NightFacts, house: House) -> dict[str, Any] | None:
        """Work out the account of a night, record it, and publish it.

        Parameters
        ----------
        facts : NightFacts
            What is known about it.
        house : House
            The household file and the rates.

        Returns
        -------
        dict or None
            Its record; None if it is recorded already, unchanged.

        Raises
        ------
        LedgerError
            If it can't be recorded; then it is not published either.
        TariffError
            If it can't be priced.
        """  # noqa: DOC502 - raised by the ledger and by the rates
        point = facts.charge_point
        record = self.night_account(facts, house)
        is_new = self._ledger.close_night(
            facts.night, point, record["vehicle"], facts.closed_at, record
        )
        if not is_new:
            return None
        self._bus.publish(self._topics.night(point), dump_exact(record).encode(), retain=False)
        _log.info(
            "night closed", charge_point=point, night=record["night"],
            kwh=str(record["energy_kwh"]), cost=str(record["cost"]), currency=record["currency"],
        )  # fmt: skip
        return record

    def send_morning_line(self, point: str, line: str, now: datetime, house: House) -> None:
        """Give the user's own command the line of the morning; it is no alert."""
        _log.info("morning line", charge_point=point, line=line)
        self._run_on_alert(point, Alert(code="morning", at=now, message=line[:1000]), house)

    def publish_online(self, now: datetime) -> None:
        """Publish that the daemon runs, unless it was published recently."""
        is_to_correct = self.correction_due is not None and now >= self.correction_due
        if is_to_correct or self._online_at is None or now >= self._online_at + STATUS_EVERY:
            self._online_at, self.correction_due = now, None
            self._publish_daemon_state("online", now)

    def publish_waiting(self) -> None:
        """Publish that the daemon waits for its clock; it has no instant to give yet."""
        if not self._is_waiting:
            self._is_waiting = True
            self._send(self._topics.daemon, DaemonState(state="waiting"), retain=True)

    def publish_offline(self, now: datetime) -> None:
        """Publish that the daemon is about to end."""
        self._publish_daemon_state("offline", now)

    def publish_status(self, point: str, status: Status) -> bool:
        """Publish a status if it has changed, or before the last one becomes stale.

        Parameters
        ----------
        point : str
            The charge point.
        status : Status
            Its status now.

        Returns
        -------
        bool
            Whether it was published; then its plan has to be refreshed too.
        """
        last = self._statuses.get(point)
        if last is not None and status.at < last.at + STATUS_EVERY and not _is_news(last, status):
            return False
        self._statuses[point] = status
        self._send(self._topics.status(point), status, retain=True)
        return True

    def publish_plan(self, point: str, plan: Plan | None) -> None:
        """Publish the plan in force again; without one, delete the retained one."""
        self._publish_document(point, plan.to_json() if plan else {})

    def refresh_plan(self, point: str, plan: Plan | None) -> None:
        """Publish the plan in force again if any of its figures has changed."""
        if plan is not None and plan is self._refreshed.get(point):
            return
        document = plan.to_json() if plan else {}
        if document and self._plans.get(point) != _figures_of(document):
            self._publish_document(point, document)
        self._refreshed[point] = plan

    def _publish_document(self, point: str, document: Mapping[str, Any]) -> None:
        self._refreshed.pop(point, None)
        self._plans[point] = _figures_of(document)
        payload = dump_exact(document).encode() if document else b""
        self._bus.publish(self._topics.plan(point), payload, retain=True)

    def forget_published(self) -> None:
        """Forget what was published, so that all is published again to a new broker."""
        self._statuses.clear()
        self._plans.clear()
        self._refreshed.clear()
        self._online_at = None
        self._is_waiting = False

    def correct_daemon_state(self, now: datetime) -> None:
        """Have `online` published again after a message to the contrary.

        At once, or a second after the last time: a stranger's flood of such messages must not make
        a flood of our own, behind which commands and answers wait.
        """
        if self._may_correct_at is None or now >= self._may_correct_at:
            self._online_at, self._may_correct_at = None, now + CORRECTED_EVERY
        else:
            self.correction_due = self._may_correct_at

    def _publish_daemon_state(self, state: Literal["online", "offline"], now: datetime) -> None:
        message = DaemonState(
            state=state,
            at=now,
            stale_after=now + BELIEVE_FOR,
            instance=self._me.name if self._me else None,
            since=self._me.since if self._me else None,
        )
        self._send(self._topics.daemon, message, retain=True)

    def _warn(self, point: str, alert: Alert, house: House) -> None:
        """Warn a person in every way there is, even if one of them fails."""
        with self._sent_anyway("an alert"):
            self._ledger.add_alert(point, alert.at, alert.code, alert.message)
        self._send(self._topics.alert(point), alert, retain=False)
        _log.warning("alert", charge_point=point, code=alert.code, message=alert.message)
        self._run_on_alert(point, alert, house)

    def _run_on_alert(self, point: str, alert: Alert, house: House) -> None:
        home = house.file.household
        if home.on_alert is not None and self._run_command is not None:
            where = {"household": home.name, "charge_point": point}
            body = alert.model_dump(mode="json", exclude_none=True) | where
            self._run_command(home.on_alert, dump_exact(body).encode())

    def _record_command(
        self, point: str, command: Command, extends: int | None, now: datetime
    ) -> None:
        with self._sent_anyway("a command"):  # it may be a stop
            if extends is None or not self._ledger.extend_command(point, extends, command):
                self._ledger.add_command(point, now, command)

    @contextmanager
    def _sent_anyway(self, what: str) -> Iterator[None]:
        try:
            yield
        except LedgerError as error:
            self._ledger_errors.append(error)
            _log.error(f"{what} is sent but can't be recorded", why=str(error))

    def _announce(self, point: str, plan: Plan) -> None:
        document = plan.to_json()
        with self._sent_anyway("a plan"):
            self._ledger.add_plan(point, plan.made_at, document)
        self.publish_plan(point, plan)
        _log.info(
            "planned", charge_point=point, kwh=document["energy_kwh"], cost=document["cost"],
            currency=plan.currency, periods=len(plan.periods), why=" ".join(plan.why),
        )  # fmt: skip

    def _send(self, topic: str, message: Message, *, retain: bool) -> None:
        self._bus.publish(topic, encode(message), retain=retain)


def _is_news(last: Status, status: Status) -> bool:
    """Whether a status differs from the last in what matters to a reader."""
    if _significant_part(last) != _significant_part(status) or _has_newer_load(last, status):
        return True
    # A meter that sends many readings a second must not make as many messages.
    if status.at < last.at + POWER_EVERY:
        return False
    return abs(_watts(status) - _watts(last)) >= NOTICED_WATTS


def _watts(status: Status) -> float:
    return (status.reading.watts or 0.0) if status.reading is not None else 0.0


def _significant_part(status: Status) -> tuple[object, ...]:
    """Return the parts whose change matters: not the instants, nor each watt-hour."""
    soc = None if status.soc_percent is None else round(status.soc_percent)
    return (
        status.connected, status.charging, status.do, status.serial, status.plan, soc,
        status.vehicle, status.soc_from, status.rates, status.wishes, status.main_fuse,
        status.skip_until,
        status.away_until, status.alerts, status.grid_limits,
    )  # fmt: skip


def _has_newer_load(last: Status, status: Status) -> bool:
    """Whether the home's load was read for the first time, or long enough after the last."""
    if status.home_load is None:
        return False
    return last.home_load is None or status.home_load.at >= last.home_load.at + LOAD_SHOWN_EVERY


def _figures_of(document: Mapping[str, Any]) -> dict[str, Any]:
    """Return a plan's document without the instant of its figures."""
    return {key: value for key, value in document.items() if key != "as_of"}
