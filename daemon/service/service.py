"""Run the daemon's loop: pass events to the controllers and carry out their actions.

It decides nothing about charging. One thread takes events from one queue, so nothing here is
shared. For each event: store it, step the controllers, carry out their actions, acknowledge it.
"""

from __future__ import annotations

from dataclasses import dataclass, field, replace
from datetime import timedelta
from typing import TYPE_CHECKING, Any, Literal

import structlog

from adapters.bus.events import Connected, Disconnected, MessageArrived, Published
from adapters.calendar_file.process import read_apart
from adapters.contract.messages import (
    Announcements,
    Answer,
    CarbonIntensity,
    DaemonState,
    Forecast,
    Generated,
    MalformedMessage,
    PriceFeed,
)
from adapters.contract.topics import Topics
from adapters.host.memory import MemoryReturn
from adapters.ledger.rows import CALENDAR_NEWS
from config.files.errors import LedgerError, TariffError
from daemon.calendar.calendar_watch import CalendarsRead
from daemon.control.controller import next_wake, preview, react
from daemon.control.events import (
    Assert,
    BusConnected,
    CloseNight,
    CurrentAllotted,
    GridRead,
    HouseChanged,
    Issue,
    LoadRead,
    MeterRead,
    PersonAsked,
    TimePassed,
    Warn,
)
from daemon.control.nightbook import facts_of
from daemon.control.replanning import announce, plan_now
from daemon.control.state import is_charging
from daemon.control.undelivered import delivered
from daemon.grid_limit.heard import LimitHeard
from daemon.grid_limit.limits import GridLimits
from daemon.grid_limit.sieve import LimitSieve
from daemon.messaging.answering import answer_of, effect_of, preview_of
from daemon.messaging.event_queue import EventQueue
from daemon.messaging.hardware_channels import HardwareChannels
from daemon.messaging.inbox import Inbox, RequestRefused, home_read
from daemon.messaging.incoming import (
    ChannelReady,
    Halt,
    HandledEvent,
    HardwareReport,
    HealthReport,
    HomeReport,
    Incoming,
    Reload,
    WakeUp,
)
from daemon.messaging.instance import new_instance
from daemon.messaging.outbox import LOAD_SHOWN_EVERY, STATUS_EVERY, Outbox, Publisher
from daemon.messaging.outlook import figures_of
from daemon.messaging.status import status_of
from daemon.nights.morning import STILL_MORNING, morning_line, next_morning
from daemon.observers.observers import Observers
from daemon.observers.turn import Turn
from daemon.service.broker_watch import BrokerWatch
from daemon.service.clock_watch import LOOK_AGAIN
from daemon.service.fuse import FuseKeeper
from daemon.service.ledger_trouble import LedgerTrouble
from daemon.service.night_keeper import NightKeeper
from daemon.service.recovery import currents_in_force, recover
from daemon.service.upgrade import BUYS_LESS, KNOWN, changes_to_tell
from daemon.sharing.claims import commanded_amps
from daemon.sharing.household import allotment_changed
from daemon.sharing.planning_task import JointPlanMade
from planners.home.allotments import plans_together
from planners.home.interval_means import INTERVALS_KEPT
from planners.home.learned_load import WEEKS
from planners.power.live_load import SILENCE
from planners.rates.known import rate_knowledge

if TYPE_CHECKING:
    from collections.abc import Callable, Iterable, Iterator, Mapping, Sequence
    from datetime import datetime

    from adapters.clocks.clock import Clock
    from adapters.ledger.ledger import Ledger
    from daemon.calendar.calendar_watch import CalendarsTask
    from daemon.control.events import Action, Event
    from daemon.control.state import House, PointState
    from daemon.messaging.inbox import News, Received
    from daemon.messaging.instance import Instance
    from daemon.service.backup_schedule import BackupSchedule
    from daemon.service.clock_watch import ClockWatch
    from daemon.service.household_watch import HouseholdWatch
    from daemon.sharing.planning_task import PlanningTask
    from planners.accounts.by_source import GridInterval
    from planners.power.live_load import LoadHour, LoadQuarter

__all__ = ["Halt", "HandledEvent", "Incoming", "Reload", "Service", "WakeUp"]

SAID_ONCE_IN = timedelta(minutes=1)
MOST_TOPICS_LOGGED = 10

PLANNED_WITHIN = timedelta(seconds=1)
"""Plans with a new limit of the grid operator are made after this, though more messages wait."""

MOST_ROUNDS_OF_SHARING = 4
"""Rounds in which charge points react to each other before the next event; two are usual."""

MOST_UNANSWERED = 32
"""Requests that wait for a joint plan at most; as many wait in the queue."""

_log = structlog.get_logger(__name__)


@dataclass(slots=True)
class _Results:
    actions: list[tuple[str, Action]] = field(default_factory=list)
    nights: list[dict[str, Any]] = field(default_factory=list)


@dataclass(frozen=True, slots=True)
class _Unanswered:
    """A person's request that is obeyed, and all states before; a preview has its own keeper."""

    point: str
    event: PersonAsked
    before: Mapping[str, PointState]
    fuse: FuseKeeper


class Service:
    """Runs one household.

    Parameters
    ----------
    watch : HouseholdWatch
        Gives the household file and the rates, and loads them again when they change.
    ledger : Ledger
        The durable record, used on the loop's thread only.
    clock : Clock
        What time it is.
    bus : Publisher
        Where to publish.
    wake_at : callable
        Asks for a `WakeUp` at an instant.
    observer : callable, optional
        Called after every event, on the loop's thread.
    me : Instance, optional
        Which daemon of this household it is.
    run_command : callable, optional
        Runs the user's own command with an alert on its standard input.
    clock_watch : ClockWatch, optional
        Whether the clock is set; without it, it is assumed to be.
    backups : BackupSchedule, optional
        Backs up the ledger; without it, nothing does.
    channels : HardwareChannels, optional
        The connections to hardware that does not use the daemon's own messages.
    observers : Observers, optional
        Those that see each turn of the loop.
    ask_for_plan : callable, optional
        Has a joint plan of several vehicles made elsewhere, which comes as `JointPlanMade`. Without
        it, the loop makes it.
    ask_for_calendars : callable, optional
        Has calendars read elsewhere, which come as `CalendarsRead`. Without it, the loop waits.
    """

    def __init__(
        self,
        watch: HouseholdWatch,
        ledger: Ledger,
        clock: Clock,
        *,
        bus: Publisher,
        wake_at: Callable[[datetime], None],
        observer: Callable[[HandledEvent], None] | None = None,
        me: Instance | None = None,
        run_command: Callable[[Sequence[str], bytes], None] | None = None,
        clock_watch: ClockWatch | None = None,
        backups: BackupSchedule | None = None,
        channels: HardwareChannels | None = None,
        observers: Observers | None = None,
        ask_for_plan: Callable[[PlanningTask], None] | None = None,
        ask_for_calendars: Callable[[CalendarsTask], None] | None = None,
    ) -> None:
        self._watch = watch
        self._ledger = ledger
        self._clock = clock
        self._wake_at = wake_at
        self._ask_for_calendars = ask_for_calendars
        self._observer = observer
        file = watch.house.file
        self._topics = topics = Topics.of_file(file)
        self._trouble = LedgerTrouble(ledger)
        self._channels = channels or HardwareChannels()
        self._inbox = Inbox(
            topics, file.charge_points, self._trouble, self._channels, clock.seconds
        )
        self._queue = EventQueue(
            self._inbox.lane_of,
            lambda lane: topics.is_urgent(lane) or self._channels.is_urgent(lane),
        )
        self._me = me or new_instance(clock.now())
        self._outbox = Outbox(topics, ledger, bus, me=self._me, run_command=run_command)
        self._keeper = NightKeeper(ledger, self._outbox)
        self._broker = BrokerWatch()
        self._mornings_until: datetime | None = None
        self._dropped_until: datetime | None = None
        self._clock_watch = clock_watch
        self._backups = backups
        self._observers = observers or Observers()
        self._connected: Connected | None = None
        self._was_replaced = False
        self._states: dict[str, PointState] = {}
        self._fuse = FuseKeeper(self._states, ask_for_plan)
        self._limits, self._sieve = GridLimits(), LimitSieve()
        # The charge points that are still to plan with what the grid operator allows by now.
        self._unplanned: list[str] = []
        self._unanswered: list[_Unanswered] = []
        self._wakes: dict[str, datetime] = {}
        # The charge points stepped since the last status: with each wake-up, all of them.
        self._stepped: set[str] = set()
        self._results = _Results()
        self._memory = MemoryReturn()
        # When the statuses last had a new reading of the home's load.
        self._load_shown: datetime | None = None

    @property
    def house(self) -> House:
        """The household file and the rates in force, and the means to share the main fuse."""
        return self._fuse.house(self._watch.house)

    @property
    def charges(self) -> bool:
        """Whether a charge point has been told to start; may be asked from any thread."""
        return any(is_charging(state) for state in list(self._states.values()))

    def post(self, event: Incoming) -> None:
        """Put an event into the queue; from any thread."""
        # Before the clock is set, nobody can tell which limit is the newest.
        if (
            isinstance(event, MessageArrived)
            and event.topic == self._topics.grid_limit
            and self._states
            and not self._sieve.passes(event, self._clock.now())
        ):
            event.ack()
            return
        self._queue.put(event)

    def run(self) -> bool:
        """Recover from the ledger, then handle events until `Halt` comes.

        Returns
        -------
        bool
            False if it ended because another daemon of the household has taken over; then it has
            published nothing more.

        Raises
        ------
        LedgerError
            If the ledger can't be read at the start, or is found to be damaged later.
        """  # noqa: DOC502 - raised by the ledger
        event: Incoming = WakeUp()
        try:
            while not isinstance(event, Halt):
                self._observers.before(event)
                self.handle(event)
                if self._was_replaced:
                    return False
                self._observers.after(self._turn)
                event = self._observers.next_event(self._queue)
            self._announce(at_once=True)
        finally:
            self._observers.stopping()
            # A start expires by itself, except on hardware that knows no time limit.
            if not self._was_replaced:
                self._channels.send_final_stops()
                self._outbox.publish_offline(self._clock.now())
                if self._states:  # else the clock was never believed
                    self._outbox.record_happening("ended", self._clock.now())
        return True

    def _turn(self) -> Turn:
        return Turn(
            now=self._clock.now(),
            house=self.house,
            connected=self._connected is not None,
            records=not self._trouble.holds,
            states=self._states,
            actions=self._results.actions,
            nights=self._results.nights,
        )

    def handle(self, event: Incoming) -> None:
        """Handle one event; the first of all is a `WakeUp`.

        Parameters
        ----------
        event : Incoming
            The event.

        Raises
        ------
        LedgerDamaged
            If the ledger is damaged: nothing can be stored in it.
        LedgerError
            If it can't be read at the start.
        """  # noqa: DOC502 - raised by the ledger
        self._results = _Results()
        if isinstance(event, Connected | Disconnected):
            self._connected = event if isinstance(event, Connected) else None
            self._broker.note(event, self._clock.now())
        if not self._is_ready(event):
            return
        try:
            self._dispatch(event)
            self._plan_below_limits(event)
            self._answer_requests()
        except LedgerError as error:
            self._trouble.note((error,))
        if self._was_replaced:
            return
        self._announce()
        if isinstance(event, WakeUp):
            self._memory.give_back()
        self._maintain_ledger(event)
        self._report_health()
        amps = {
            point: commanded_amps(each, self._clock.now()) for point, each in self._states.items()
        }
        self._limits.note_commands(amps, self._clock.now())
        self._record_limits()
        self._report_dropped()
        if isinstance(event, WakeUp):
            self._send_morning_lines()
        self._publish_news(event)
        if self._observer is not None:
            results, wake = self._results, self._next_wake()
            self._observer(
                HandledEvent(
                    event, tuple(results.actions), tuple(results.nights), dict(self._states), wake
                )
            )

    def _publish_news(self, event: Incoming) -> None:
        """Publish what is new, send commands again where due, and ask for a wake-up."""
        now = self._clock.now()
        self._outbox.publish_online(now)
        for point in sorted(self._stepped):
            state = self._states[point]
            self._publish_status(point, now, with_draft=False)  # a draft is announced soon
            self._wakes[point] = next_wake(state, now, self.house)
        self._stepped.clear()
        if isinstance(event, WakeUp):
            self._channels.send_again(self._states, now, self.house.file)
        self._wake_at(self._next_wake())

    def _publish_status(self, point: str, now: datetime, *, with_draft: bool) -> None:
        """Publish a status if it is new, and its plan; a draft, without reasons yet, if wanted."""
        state = self._states[point]
        load = self._fuse.load_reading(now, self.house.file)
        is_new = self._outbox.publish_status(point, status_of(state, now, self.house, load))
        if is_new and (with_draft or state.draft is None):
            self._outbox.refresh_plan(point, plan_now(state, now, self.house))

    def _next_wake(self) -> datetime:
        now = self._clock.now()
        morning = next_morning(self.house.file, now)
        within = PLANNED_WITHIN if self._unplanned else STATUS_EVERY
        dues = [
            now + within, self._channels.next_repeat(), self._broker.due, morning,
            self._outbox.correction_due, self._fuse.due(now), self._limits.due(now),
        ]  # fmt: skip
        return min(*self._wakes.values(), *(due for due in dues if due is not None))

    def _report_health(self) -> None:
        """Step the controllers with what of the household stopped working, or works again."""
        now = self._clock.now()
        broker = self._broker.news(now)
        if broker is not None and broker.trouble is None:
            self._outbox.record_broker_back(now)
        all_news = (
            self._trouble.news(),
            broker,
            self._watch.news(now),
            self._watch.forecast_news(),
            self._watch.forecast_end(now),
            self._watch.carbon_news(),
            *self._watch.calendar_news(now),
            self._channels.news(),
            self._limits.news(self.house.file, now),
        )
        for news in all_news:
            if news is not None:
                self._step_all(news)
        for point in self._broker.to_send_again(now):
            self._step(point, BusConnected())
        for point, changed in self._channels.point_news():
            self._step(point, changed)

    def _report_dropped(self) -> None:
        """Log, at most once a minute, how many messages had to be dropped."""
        now = self._clock.now()
        if self._dropped_until is not None and now < self._dropped_until:
            return
        for topic, count in self._queue.take_dropped().most_common(MOST_TOPICS_LOGGED):
            self._dropped_until = now + SAID_ONCE_IN
            _log.warning("too many messages: some are dropped", topic=topic, dropped=count)

    def _send_morning_lines(self) -> None:
        """Send a line for each charge point if its time of the day has just come."""
        now, file = self._clock.now(), self.house.file
        since, self._mornings_until = self._mornings_until or now, now
        due = next_morning(file, since)
        if due is not None and due <= now < due + STILL_MORNING:
            for point, state in self._states.items():
                line = morning_line(state, self._account_so_far(state, now), now, file)
                self._outbox.send_morning_line(point, line, now, self.house)

    def _account_so_far(self, state: PointState, now: datetime) -> dict[str, Any] | None:
        if state.night is None:
            return None
        facts = facts_of(state, state.night, now, self.house)
        try:
            return self._outbox.night_account(facts, self.house)
        except TariffError:
            return None
        except LedgerError as error:
            self._trouble.note((error,))
            return None

    # --- before anything else: the clock ------------------------------------------------------

    def _is_ready(self, event: Incoming) -> bool:
        """Whether the clock is set; the first time it is, recover the state."""
        now = self._clock.now()
        if self._clock_watch is not None:
            self._clock_watch.read_ledger(self._ledger, self.house.file.charge_points)
            if not self._clock_watch.may_go_on(now):
                self._wait(event, now)
                return False
        if not self._states:
            self._begin(now)
        return True

    def _wait(self, event: Incoming, now: datetime) -> None:
        """Publish that the daemon waits for the clock; hold messages, unacknowledged."""
        if isinstance(event, MessageArrived):
            self._trouble.hold(event, acted_on=False)
        elif isinstance(event, HardwareReport):
            event.confirm(False)  # noqa: FBT003 - the only argument
        elif isinstance(event, Connected):
            self._outbox.forget_published()
        self._outbox.publish_waiting()
        self._wake_at(now + LOOK_AGAIN)

    def _begin(self, now: datetime) -> None:
        self._settle_days()
        self._watch.use_ledger(self._ledger)
        self._learn_load()
        self._limits.recover(self._ledger.last_grid_limits())
        self._watch.limit(self._limits.in_force(now))
        # Only a clock that is set can give the instant at which this process began.
        self._me = replace(self._me, since=max(now, self._me.since))
        self._outbox.set_instance(self._me)
        changes = list(changes_to_tell(self._ledger, self.house.file, now))
        self._outbox.record_happening("started", now, KNOWN)
        for point, sentence in changes:
            self._outbox.carry_out(point, Warn(BUYS_LESS, sentence), now, self.house)
        for point in self.house.file.charge_points:
            state = recover(self._ledger, point, now, self.house)
            self._states[point] = state
            self._fuse.begin(state, currents_in_force(self._ledger, point, now), now)
            self._stepped.add(point)
            self._keeper.begin(state, now, self.house.file.days)
        if self._connected is not None:
            self._dispatch(self._connected)
        for held in self._trouble.release():
            self._on_message(held.message)
        self._channels.begin()

    # --- events -------------------------------------------------------------------------------

    def _dispatch(self, event: Incoming) -> None:
        match event:
            case MessageArrived():
                self._on_message(event)
            case Connected() | Disconnected():
                self._on_connection(event)
            case Published():
                self._on_published(event)
            case HardwareReport() | HomeReport() | HealthReport():
                self._on_hardware_report(event)
            case ChannelReady(point):
                self._channels.send(point, self._states[point], self._clock.now(), self.house.file)
            case JointPlanMade() | LimitHeard() | CalendarsRead():
                self._on_common(event)
            case WakeUp() | Reload() | Halt():
                self._load_and_step(again=isinstance(event, Reload))

    def _on_connection(self, event: Connected | Disconnected) -> None:
        if isinstance(event, Disconnected):
            _log.warning("no broker, trying again", reason=event.reason)
            return
        _log.info("connected to the broker", mqtt=event.protocol)
        self._outbox.forget_published()
        # First of all, because another daemon of the household may be about to return.
        self._outbox.publish_online(self._clock.now())
        self._step_all(BusConnected())
        self._publish_plans()

    def _load_and_step(self, *, again: bool) -> None:
        """Load the household file and its prices if they changed, and step all controllers."""
        what: Literal["file", "prices", "forecast", "load"] | None
        what = self._watch.load_changes(self._ledger, again=again)
        if self._watch.days_due:
            self._settle_days()
        if what == "file" or what == "prices":  # noqa: PLR1714 - mypy narrows these
            self._record_news(what)
        elif what is None and self._learn_load():
            what = "load"
        self._step_all(TimePassed() if what is None else HouseChanged(what))
        if not self._trouble.holds:
            for point, news in self._inbox.after_clock_was_set(self._clock.now()):
                self._step(point, news)
        if self._limits.expire(self._clock.now()):
            self._obey_limits()
        self._look_at_calendars()

    def _settle_days(self) -> None:
        """Let nights end where the file says; what can't be stored is tried again."""
        try:
            self._watch.settle_days(self._ledger, self._clock.now())
        except LedgerError as error:
            self._trouble.note((error,))

    def _learn_load(self) -> bool:
        """Learn from the ledger what the home draws, once a day; whether that is news."""
        try:
            return self._watch.learn_load(self._ledger, self._clock.now())
        except LedgerError as error:
            self._trouble.note((error,))
            return False

    def _on_hardware_report(self, event: HardwareReport | HomeReport | HealthReport) -> None:
        if isinstance(event, HealthReport):
            self._step(event.charge_point, event.health)
            return
        if isinstance(event, HomeReport):
            if abs(self._clock.now() - event.read.at) <= SILENCE:
                self._act_on(home_read(event.read))
            return
        is_stored = False
        try:
            news = self._inbox.store(event.charge_point, event.message, self._clock.now())
            is_stored = not self._trouble.take_skipped()
            if news is not None:
                self._step(event.charge_point, news)
        finally:
            event.confirm(is_stored)

    def _on_wired_message(self, message: MessageArrived) -> None:
        """Handle a message on the hardware's own topics; a similar one follows soon."""
        limit = self._inbox.limit_from_wiring(message, self._clock.now())
        if limit is not None:
            self._on_limit(limit)
        for read in self._inbox.home_from_wiring(message, self._clock.now()):
            self._act_on(read)
        for point, event in self._inbox.receive_from_wiring(message, self._clock.now()):
            self._step(point, event)
        self._trouble.take_skipped()
        message.ack()

    def _on_message(self, message: MessageArrived, *, acted_on: bool = False) -> None:
        if self._topics.parse(message.topic) is None:
            self._on_wired_message(message)
            return
        is_stored = False
        try:
            # A request that was obeyed already may now seem impossible, such as a wish's removal.
            states = None if acted_on else self._states
            received = self._inbox.receive(message, self._clock.now(), self.house, states)
            is_stored = not self._trouble.take_skipped()
            if received is not None and not acted_on:
                self._act_on(received)
        except MalformedMessage as error:
            _log.warning("message not understood", topic=message.topic, reason=str(error))
            is_stored = True
        except LedgerError as error:
            is_stored = False
            self._trouble.note((error,))
        if not is_stored:
            # Only a stored message is acknowledged.
            self._trouble.hold(message, acted_on=True)
        elif not self._was_replaced:
            message.ack()  # a connection that is about to return waits for this

    def _act_on(self, received: Received) -> None:
        match received:
            case PriceFeed() | Announcements() | Forecast() | CarbonIntensity() | Generated():
                self._on_news(received)
            case LoadRead() | GridRead():
                self._on_home(received)
            case LimitHeard():
                self._on_limit(received)
            case DaemonState():
                self._on_daemon_state(received)
            case RequestRefused(point, name, why):
                message = f"not obeyed: {why.reason}"
                self._answer(point, name, understood=False, message=message, refusal=why.code)
            case (point, PersonAsked() as event):
                self._on_request(point, event)
            case (point, event):
                self._step(point, event)

    def _on_news(self, received: News) -> None:
        """Store prices, announced days, a forecast, carbon, or what roofs give; plan with them."""
        match received:
            case Generated():
                if self._watch.store_generated(received, self._ledger):
                    self._step_all(HouseChanged("forecast"))
            case Forecast():
                if self._watch.store_forecast(received, self._ledger, self._clock.now()):
                    self._step_all(HouseChanged("forecast"))
            case CarbonIntensity():
                if self._watch.store_carbon(received, self._ledger, self._clock.now()):
                    self._step_all(HouseChanged("forecast"))
            case _:
                if self._watch.store_news(received, self._ledger):
                    self._record_news("prices")
                    self._step_all(HouseChanged("prices"))

    def _on_home(self, event: LoadRead | GridRead) -> None:
        if isinstance(event, LoadRead):
            self._on_load(event)
        else:
            self._on_grid(event)

    def _on_load(self, event: LoadRead) -> None:
        """Lower or stop what the home's load leaves no current for, at once."""
        now, file = self._clock.now(), self.house.file
        if self._fuse.take_load(event, now, file):
            self._step_all(TimePassed())
            self._fuse.have_given_way()
            self._load_shown = now
        elif self._load_shown is None or now - self._load_shown >= LOAD_SHOWN_EVERY:
            self._load_shown = now
            for point in self._states:
                self._publish_status(point, now, with_draft=False)
        hour = self._fuse.take_ended_hour()
        quarter = self._fuse.take_ended_quarter()
        if hour is not None or quarter is not None:
            self._store_load(hour, quarter, now)

    def _store_load(
        self, hour: LoadHour | None, quarter: LoadQuarter | None, now: datetime
    ) -> None:
        """Store the load of an hour, or a quarter; one that is refused is lost, and may be."""
        try:
            if hour is not None:
                self._ledger.add_load_hour(hour, now - timedelta(weeks=WEEKS))
            if quarter is not None and any(
                each.capacity_charge for each in self.house.file.tariffs
            ):
                self._ledger.add_load_quarter(quarter, now - INTERVALS_KEPT)
        except LedgerError as error:
            self._trouble.note((error,))

    def _on_limit(self, heard: LimitHeard) -> None:
        """Obey a limit of the grid operator, or plan without it, once it is recorded."""
        if self._limits.take(heard, self._clock.now()):
            self._record_limits()
            self._obey_limits()

    def _obey_limits(self) -> None:
        """Lower or stop at once what the grid operator does not allow; plans come later."""
        now = self._clock.now()
        self._watch.limit(self._limits.in_force(now))
        self._fuse.give_way(self._watch.house, now)
        for point in self._charging_first(self._states):
            self._step_alone(point, TimePassed())
        self._fuse.have_given_way()
        self._unplanned = self._charging_first(self._states)

    def _plan_below_limits(self, event: Incoming) -> None:
        """Plan with new limits while nothing waits, or a second later: the next one may be here."""
        while self._unplanned and (isinstance(event, WakeUp) or self._queue.empty()):
            self._step_alone(self._unplanned.pop(0), HouseChanged("limit"))
            if not self._unplanned:
                self._share_fuse()

    def _record_limits(self) -> None:
        """Record what came of limits; a ledger that refuses it is asked again."""
        try:
            self._limits.record(self._ledger)
        except LedgerError as error:
            self._trouble.note((error,))

    def _on_grid(self, event: GridRead) -> None:
        """Follow what the home's own roof leaves over, and keep the means for its account."""
        now, file = self._clock.now(), self.house.file
        if file.generation is None:
            return
        for point in self._fuse.grid.follow(event.power, self._states, now, file):
            self._step(point, TimePassed())
        health = self._fuse.grid.news()
        if health is not None:
            self._step_all(health)
        self._store_grid(self._fuse.grid.take(event.power, now), now)

    def _store_grid(self, ended: GridInterval | None, now: datetime) -> None:
        """Store what flowed at the grid; an interval that is refused counts as from the grid."""
        try:
            if ended is not None and self.house.file.generation is not None:
                self._ledger.add_grid_interval(ended, now - INTERVALS_KEPT)
        except LedgerError as error:
            self._trouble.note((error,))

    def _on_common(self, event: JointPlanMade | LimitHeard | CalendarsRead) -> None:
        """Handle what concerns all charge points together."""
        if isinstance(event, JointPlanMade):
            self._on_joint_plan(event)
        elif isinstance(event, CalendarsRead):
            self._on_calendars(event)
        else:
            self._on_limit(event)

    def _on_calendars(self, read: CalendarsRead) -> None:
        """Plan with the departures that calendars say."""
        now = self._clock.now()
        if self._watch.take_calendars(read, now):
            self._outbox.record_happening("file", now, CALENDAR_NEWS)
            self._step_all(HouseChanged("calendar"))

    def _look_at_calendars(self) -> None:
        """Have calendars read that have changed; the loop waits for none, unless it must."""
        task = self._watch.calendars_task(self._clock.now())
        if task is not None and self._ask_for_calendars is not None:
            self._ask_for_calendars(task)
        elif task is not None:
            self._on_calendars(task.done(read_apart))

    def _on_joint_plan(self, made: JointPlanMade) -> None:
        for fuse in (self._fuse, *(each.fuse for each in self._unanswered)):
            fuse.take_plan(made, self._clock.now())
        self._share_fuse()

    def _on_request(self, point: str, event: PersonAsked) -> None:
        before, fuse = dict(self._states), self._fuse
        if event.request.preview:
            fuse = fuse.for_preview()
        else:
            self._step(point, event)
        self._unanswered.append(_Unanswered(point, event, before, fuse))
        self._answer_requests()

    def _answer_requests(self) -> None:
        """Answer the requests whose plan is there; in a flood, the oldest get no answer."""
        waiting, self._unanswered = self._unanswered[-MOST_UNANSWERED:], []
        self._unanswered = [each for each in waiting if not self._has_answered(each)]

    def _has_answered(self, asked: _Unanswered) -> bool:
        """Answer a request, unless its plan is still being made."""
        point, request, now = asked.point, asked.event.request, self._clock.now()
        if asked.fuse.is_awaited(now):
            return False
        before, after, house = asked.before[point], self._states[point], self.house
        if request.preview:
            house = asked.fuse.house_beside(point, self._watch.house, now)
            before, after = after, preview(after, asked.event, now, house)
            asked.fuse.ask_for_plan()
            if asked.fuse.is_awaited(now):
                return False
            message = preview_of(request, before, after, now, house)
            asked.fuse.suppose(after)
        else:
            # Before the answer: whoever reads it may ask for the status at once.
            self._publish_status(point, now, with_draft=True)
            message = answer_of(after, now, house, request, before)
        if request.id is not None:
            message = " ".join([message, *self._effects_of(asked, now)])
            figures = figures_of(after, now, house) | {"preview": request.preview}
            self._answer(point, request.id, understood=True, message=message, **figures)
        return True

    def _effects_of(self, asked: _Unanswered, now: datetime) -> Iterator[str]:
        """Say what a request to charge at once does to the plans of the others."""
        if not asked.event.request.charge_now or not plans_together(self.house.file):
            return
        for name, before in asked.before.items():
            after = self._states[name]
            if name == asked.point or not after.plugged_in:
                continue
            mine, theirs = (each.allotment(name, now) for each in (self._fuse, asked.fuse))
            if allotment_changed(mine, theirs, now):  # in a preview
                house = asked.fuse.house_beside(name, self._watch.house, now)
                after = preview(after, CurrentAllotted(), now, house)
            effect = effect_of(before.plan, after.plan, now, self.house.file.zone)
            yield from () if effect is None else (effect,)

    def _record_news(self, what: Literal["file", "prices"]) -> None:
        """Record that the file or the prices are new, and until when prices are known."""
        now = self._clock.now()
        known = rate_knowledge(self.house.prices, now)
        until = known.until.isoformat() if known and known.until else None
        self._outbox.record_happening(what, now, {"known_until": until})

    def _on_daemon_state(self, other: DaemonState) -> None:
        if self._me.is_replaced_by(other, self._clock.now()):
            _log.error("another daemon of this household was started later: this one ends")
            self._was_replaced = True
            why = "another daemon of this household was started later"
            self._outbox.record_happening("ended", self._clock.now(), {"why": why})
        elif other.state == "offline":
            # The Will of another daemon, or of an earlier connection of this one: it is not true.
            self._outbox.correct_daemon_state(self._clock.now())

    def _answer(
        self,
        point: str,
        name: str,
        *,
        understood: bool,
        message: str,
        **figures: Any,  # noqa: ANN401 - fields of the answer
    ) -> None:
        at = self._clock.now()
        answer = Answer(id=name, at=at, understood=understood, message=message[:1000], **figures)
        self._outbox.publish_answer(point, answer)

    def _on_published(self, event: Published) -> None:
        if event.outcome == "refused":
            _log.warning("the broker refuses a message", topic=event.topic, why=event.why)
        point, delivery = delivered(event, self._topics, list(self._states))
        if event.outcome == "nobody-listens" and self._channels.has(point):
            return  # its commands do not go over this topic
        if event.outcome == "nobody-listens" and self._broker.may_connect_soon(
            point, self._clock.now()
        ):
            return
        self._step(point, delivery)

    def _step_all(self, event: Event) -> None:
        # Those that charge come first: a stop must not wait for the plans of the others.
        for point in self._charging_first(self._states):
            self._step_alone(point, event)
        self._share_fuse()

    def _charging_first(self, points: Iterable[str]) -> list[str]:
        return sorted(points, key=lambda point: not is_charging(self._states[point]))

    def _step(self, point: str, event: Event) -> None:
        self._step_alone(point, event)
        self._share_fuse()

    def _share_fuse(self) -> None:
        """Step the charge points that get another current because of what the others do."""
        for _ in range(MOST_ROUNDS_OF_SHARING):
            allotted, waiting = self._fuse.to_step(self._clock.now())
            for point in self._charging_first(allotted):
                self._step_alone(point, CurrentAllotted())
            for point in waiting:
                self._step_alone(point, TimePassed())
            if not allotted and not waiting:
                return

    def _step_alone(self, point: str, event: Event) -> None:
        now = self._clock.now()
        before = self._states[point]
        self._stepped.add(point)
        sent = before  # the state that its channel knows
        house = self._fuse.house_beside(point, self._watch.house, now)
        for known, actions in react(before, event, now, house):
            self._states[point] = known
            for action in actions:
                self._carry_out(point, action, now)
                sent = known if isinstance(action, Issue | Assert) else sent
        after = self._states[point]
        self._fuse.after_step(after, now, house)
        if isinstance(event, MeterRead) and event.reading.register_wh is not None:
            self._keeper.note_reading(point, event.reading.at, self.house.file.days)
        if before.plan is not None and after.plan is None:
            self._outbox.publish_plan(point, None)
        self._channels.send_new_plan(point, sent, after, now, house.file)
        self._trouble.note(self._outbox.take_ledger_errors())
        try:
            self._keeper.save(after)
        except LedgerError as error:
            self._trouble.note((error,))

    def _publish_plans(self) -> None:
        for point, state in self._states.items():
            if state.draft is None:  # else it is announced soon
                plan = plan_now(state, self._clock.now(), self.house)
                self._outbox.publish_plan(point, plan)

    def _announce(self, *, at_once: bool = False) -> None:
        """Announce new plans with their reasons, at once or when the queue is empty."""
        for point, state in self._states.items():
            if state.draft is not None and (at_once or self._queue.empty()):
                self._states[point], actions = announce(state)
                for action in actions:
                    self._carry_out(point, action, self._clock.now())
        self._trouble.note(self._outbox.take_ledger_errors())

    def _carry_out(self, point: str, action: Action, now: datetime) -> None:
        if isinstance(action, CloseNight):
            self._store_grid(self._fuse.grid.until(now), now)
            try:
                record = self._keeper.close(action.facts, self.house)
            except LedgerError as error:
                self._trouble.note((error,))
                return
            self._results.nights += [] if record is None else [record]
        else:
            if isinstance(action, Issue | Assert):
                self._channels.send(point, self._states[point], now, self.house.file)
            self._outbox.carry_out(point, action, now, self.house)
        self._results.actions.append((point, action))

    # --- the ledger ---------------------------------------------------------------------------

    def _maintain_ledger(self, event: Incoming) -> None:
        """With each wake-up: retry refused rows, record pending nights, check backups."""
        if isinstance(event, WakeUp):
            if self._trouble.try_again():
                for held in self._trouble.release():
                    self._on_message(held.message, acted_on=held.acted_on)
            if not self._trouble.holds:
                self._record_pending_nights()
                health = self._backups.check(self._clock.now()) if self._backups else None
                if health is not None:
                    self._step_all(health)

    def _record_pending_nights(self) -> None:
        now = self._clock.now()
        try:
            for state in self._states.values():
                self._results.nights += self._keeper.record_pending(state, now, self.house)
                self._keeper.save(state)
        except LedgerError as error:
            self._trouble.note((error,))
