"""Read and command one charge point without the daemon.

The ledger's lock keeps a daemon from starting meanwhile, and the ledger gives the serials, so that
hardware accepts the daemon's commands afterwards.
"""

from __future__ import annotations

from contextlib import suppress
from datetime import timedelta
from secrets import token_hex
from threading import Condition
from time import monotonic
from typing import TYPE_CHECKING, Literal, Self

from adapters.bus.bus import MqttBus
from adapters.bus.events import Connected, Disconnected, MessageArrived
from adapters.contract.messages import (
    Command,
    DaemonState,
    GridLimit,
    GridPower,
    MalformedMessage,
    Reading,
    VehicleReport,
    decode,
    encode,
)
from adapters.contract.topics import Topics
from adapters.wired.command_messages import OutgoingMessage, shown_payload, stop_message
from adapters.wired.grid_meter import WiredGridMeter
from adapters.wired.hardware import WiredHardware
from adapters.wired.limit_contact import WiredLimitContact
from config.files.errors import UnwellError, UsageError
from config.files.texts import printable
from config.home.grid_limit import LimitInForce
from daemon.service.recovery import lowest_serial
from daemon.trial.exercise import LatestValues

if TYPE_CHECKING:
    from collections.abc import Callable, Iterator, Sequence
    from datetime import datetime
    from types import TracebackType

    from adapters.bus.events import BusEvent
    from adapters.clocks.clock import Clock
    from adapters.contract.messages import Message, Pilot
    from adapters.ledger.ledger import Ledger
    from config.household.household_file import HouseholdFile
    from config.household.wiring import WiringOutputs

EXPIRES_AFTER = timedelta(minutes=10)
"""A start of a trial expires after this, whatever happens to the trial."""

MOST_COMMANDS = 100
"""The stop that the broker keeps as Will has a serial this far beyond the first."""

RETAINED_SECONDS = 1.5
"""Retained messages arrive within this time, if there are any."""

INTERRUPTED = "the trial was interrupted, and the charge point told to stop"

LONGEST_REST_SECONDS = 5.0
"""How long a wait rests at most before it looks what else is due."""

PILOT_WORDS: dict[Pilot, str] = {
    "A": "no vehicle connected",
    "B": "vehicle connected",
    "C": "charging",
    "D": "charging",
    "E": "fault reported",
    "F": "fault reported",
}
"""The pilot states of IEC 61851-1 in plain words."""


class Trial:
    """A connection to one charge point.

    Parameters
    ----------
    file : HouseholdFile
        The household.
    charge_point : str
        Its name.
    clock : Clock
        What time it is.
    say : callable
        Takes a line of text for each message. It may fail: the terminal may be gone.
    ledger : Ledger, optional
        Where commands are recorded; without it none can be sent. With it the broker gets a stop as
        Will, and publishes it if this process or its network dies.
    """

    def __init__(
        self,
        file: HouseholdFile,
        charge_point: str,
        clock: Clock,
        say: Callable[[str], None],
        ledger: Ledger | None = None,
    ) -> None:
        self.latest = LatestValues()
        self._charge_point = charge_point
        self._clock = clock
        self._say = say
        self._ledger = ledger
        self._topics = topics = Topics.of_file(file)
        point = file.charge_points[charge_point]
        watts_per_amp = file.household.nominal_volts * point.phases
        wiring = point.wiring
        self._outgoing: list[OutgoingMessage] = []
        self._wired = (
            None
            if wiring is None
            else WiredHardware(wiring, self, watts_per_amp=watts_per_amp, phases=point.phases)
        )
        self._changed = Condition()
        self._reason = ""
        self._is_up = False
        self._is_ending = False
        self._daemon: DaemonState | None = None
        self._grid = self._grid_wired = None
        if file.generation is not None and charge_point in file.points_on_home_meter:
            meter = file.household.grid_meter
            self._grid_wired = None if meter is None else WiredGridMeter(meter)
            self._grid = topics.grid if meter is None else None
        contact = file.household.grid_limit.contact
        self._contact = None if contact is None else WiredLimitContact(contact)
        self._sources: Sequence[str] = (
            *(self._wired.topic_filters if self._wired else ()),
            topics.reading(charge_point),
            topics.vehicle(charge_point),
            *(self._grid_wired.topic_filters if self._grid_wired else ()),
            *((self._grid,) if self._grid else ()),
            *(self._contact.topic_filters if self._contact else ()),
        )
        self._serial = last_serial(ledger, charge_point, clock.now())
        stop = (
            None if ledger is None else self._stop_as_will(ledger, wiring.tell if wiring else None)
        )
        self._bus = MqttBus(
            file.bus,
            client_id=f"{topics.client_id}-trial-{token_hex(4)}",
            on_event=self._on_event,
            subscriptions=[topics.daemon, *self._sources],
            keep_session=False,
            will=None if stop is None else (stop.topic, stop.payload),
            will_is_kept=stop is not None and stop.retain,
        )

    def __enter__(self) -> Self:
        self._bus.start()
        return self

    def __exit__(
        self,
        kind: type[BaseException] | None,
        error: BaseException | None,
        trace: TracebackType | None,
    ) -> None:
        channel = self._wired.channel if self._wired is not None else None
        if self._ledger is not None and channel is not None and channel.only_changes_over:
            with self._changed:
                channel.send_stop()  # a start whose state has not been reported yet
            self._send_outgoing()
        self._bus.stop()

    @property
    def topics(self) -> Sequence[str]:
        """The topics that are listened to."""
        return self._sources

    def connect(self, seconds: float) -> None:
        """Wait for the broker, and for its retained messages.

        Parameters
        ----------
        seconds : float
            How long to wait at most.

        Raises
        ------
        UnwellError
            If there is no broker.
        """
        with self._changed:
            if not self._changed.wait_for(lambda: self._is_up, seconds):
                raise UnwellError(
                    f"no broker: {self._reason or 'it does not answer'}; start it, or correct"
                    " broker under bus in the household file"
                )
            self._changed.wait_for(lambda: self._daemon is not None, RETAINED_SECONDS)

    def refuse_beside_a_daemon(self) -> None:
        """Refuse to send commands while a daemon runs.

        Raises
        ------
        UsageError
            If a daemon runs: the two would work against each other.
        """
        state, now = self._daemon, self._clock.now()
        if state is None or state.state == "offline":
            return
        if state.stale_after is None or state.stale_after > now:
            raise UsageError(
                "a daemon of this household runs: stop it first (systemctl stop lullwatt, if it is"
                " a service), and start it again afterwards"
            )

    def command(self, do: Literal["start", "stop"], amps: float | None) -> None:
        """Command it to start at a current [A], or to stop; recorded like any command."""
        if self._ledger is None:
            raise RuntimeError("no command can be sent without a ledger")
        now = self._clock.now()
        self._serial += 1
        command = self._command(self._serial, do, amps)
        self._ledger.add_command(self._charge_point, now, command)
        if self._wired is not None and self._wired.channel is not None:
            with self._changed:
                self._wired.channel.send(command, (), now)
                self._wired.command_sent(now)
            self._send_outgoing()
        self._bus.publish(self._topics.command(self._charge_point), encode(command), retain=True)

    def wait(self, until: Callable[[LatestValues], bool], seconds: float) -> float | None:
        """Wait for a condition; return the seconds it took, or None after `seconds`."""
        begun = monotonic()
        while True:
            with self._changed:
                left = begun + seconds - monotonic()
                came = self._changed.wait_for(
                    lambda: self._is_ending or until(self.latest), min(left, self._advance())
                )
                if self._is_ending:
                    raise UnwellError(INTERRUPTED)
            self._send_outgoing()
            if came or monotonic() - begun >= seconds:
                return monotonic() - begun if came else None

    def publish(self, topic: str, payload: bytes, *, retain: bool, qos: int = 1) -> bool:
        """Keep a message of the wiring for when the lock is free; the bus may wait for that."""
        self._outgoing.append(OutgoingMessage(topic, payload, qos, retain))
        return True

    def _advance(self) -> float:
        """Do what the wiring has due; return for how long nothing more is [seconds]."""
        now = self._clock.now()
        if self._wired is None or not self._is_up:
            return LONGEST_REST_SECONDS
        self._wired.advance(now)
        if self._outgoing:
            return 0.0
        due = self._wired.next_due()
        rest = LONGEST_REST_SECONDS if due is None else (due - now).total_seconds()
        return max(0.0, min(rest, LONGEST_REST_SECONDS))

    def _send_outgoing(self) -> None:
        with self._changed:
            outgoing, self._outgoing = self._outgoing, []
        for each in outgoing:
            self._bus.publish(each.topic, each.payload, retain=each.retain, qos=each.qos)

    def end(self) -> None:
        """End the trial: `wait` raises UnwellError. May be called from any thread."""
        with self._changed:
            self._is_ending = True
            self._changed.notify_all()

    def _command(self, serial: int, do: Literal["start", "stop"], amps: float | None) -> Command:
        valid_until = self._clock.now() + EXPIRES_AFTER
        why = "a trial of the wiring"
        return Command(serial=serial, do=do, amps=amps, valid_until=valid_until, why=why)

    def _stop_as_will(self, ledger: Ledger, tell: WiringOutputs | None) -> OutgoingMessage:
        """Return the stop for the broker to publish if this process dies."""
        if tell is not None and not tell.only_changes_over:
            return stop_message(tell)
        # Hardware takes only growing serials, and this stop may come after any command of the
        # trial. It is recorded now, so that the daemon's commands afterwards have higher serials.
        stop = self._command(self._serial + MOST_COMMANDS, "stop", None)
        ledger.add_command(self._charge_point, self._clock.now(), stop)
        topic = self._topics.command(self._charge_point)
        return OutgoingMessage(topic, encode(stop), qos=1, retain=True)

    # --- messages, on the bus's thread --------------------------------------------------------

    def _on_event(self, event: BusEvent) -> None:
        with self._changed:
            match event:
                case Connected():
                    self._is_up = True
                case Disconnected(reason):
                    self._reason, self._is_up = reason, False
                case MessageArrived():
                    self._receive(event)
                    event.ack()
                case _:
                    pass
            self._changed.notify_all()
        self._send_outgoing()

    def _receive(self, message: MessageArrived) -> None:
        if message.topic == self._topics.daemon:
            self._daemon = _daemon_state(message.payload)
            return
        try:
            read = self._read(message)
            for each in read:
                self._note(each)
            point = self._wired.point if self._wired is not None else None
            if point is not None and point.switched_on is not None:
                self.latest.switched_on = point.switched_on
            words = [*map(in_words, read), *self._signals_in_words()]
            meaning = f"read as {'; '.join(words)}" if words else "nothing new"
        except MalformedMessage as error:
            meaning = f"not understood: {error}"
        shown = shown_payload(message.payload)
        at = self._clock.now().astimezone()
        stored = " (stored by the broker)" if message.retain else ""
        with suppress(OSError):  # the terminal may be gone; the trial must end well all the same
            topic = printable(message.topic)
            self._say(f"{at:%H:%M:%S}  {topic}  heard {shown}{stored}, {meaning}")

    def _signals_in_words(self) -> Iterator[str]:
        """Say what the last message said of the hardware itself."""
        point = self._wired.point if self._wired is not None else None
        channel = self._wired.channel if self._wired is not None else None
        stated = point.stated if point is not None else {}
        if "switched_on" in stated:
            yield f"switched {'on' if stated['switched_on'] else 'off'}"
        if "availability" in stated:
            gone = "gone: its values count for nothing until it is back"
            yield "there" if stated["availability"] else gone
        elif stated and point is not None and point.available is False:
            yield "nothing, because it has said that it is gone"
        if channel is not None and channel.was_acknowledged is not None:
            yield "acknowledged" if channel.was_acknowledged else "refused"

    def _read(self, message: MessageArrived) -> tuple[Message, ...]:
        if message.topic == self._topics.reading(self._charge_point):
            return (decode(Reading, message.payload),)
        if message.topic == self._topics.vehicle(self._charge_point):
            return (decode(VehicleReport, message.payload),)
        if message.topic == self._grid:
            return (decode(GridPower, message.payload),)
        now = self._clock.now()
        of_home = self._read_of_home(message, now)
        if of_home is not None or self._wired is None:
            return of_home or ()
        return self._wired.read(message.topic, message.payload, now, retain=message.retain)

    def _read_of_home(self, message: MessageArrived, now: datetime) -> tuple[Message, ...] | None:
        """Read a message of the grid meter or the grid operator's contact; None for another."""
        if self._grid_wired is not None and message.topic in self._grid_wired.topic_filters:
            power = self._grid_wired.read(
                message.topic, message.payload, now, retain=message.retain
            )
            return () if power is None else (power,)
        if self._contact is None:
            return None
        limit = self._contact.read(message.topic, message.payload, now)
        return None if limit is None else (limit,)

    def _note(self, message: Message) -> None:
        match message:
            case Reading():
                if message.watts is not None:
                    self.latest.watts = message.watts
                if message.register_kwh is not None:
                    self.latest.register_kwh = message.register_kwh
                    self.latest.registers += 1
            case VehicleReport(pilot=str(pilot)):
                self.latest.pilot = pilot
            case GridPower():
                self.latest.grid_watts = message.total_watts
            case _:
                pass


def last_serial(ledger: Ledger | None, charge_point: str, now: datetime) -> int:
    """Return a serial that no command of a charge point has exceeded yet."""
    last = ledger.last_command(charge_point) if ledger else None
    return max(lowest_serial(now), last.serial if last else 0)


def _daemon_state(payload: bytes) -> DaemonState | None:
    try:
        return decode(DaemonState, payload) if payload else None
    except MalformedMessage:
        return None


def in_words(message: Message) -> str:
    """Say what a message means."""
    match message:
        case Reading():
            values = ((message.watts, "{:,.0f} W"), (message.amps, "{:.1f} A"))
            parts = [form.format(value) for value, form in values if value is not None]
            if message.register_kwh is not None:
                parts.append(f"{message.register_kwh:,.3f} kWh")
        case VehicleReport():
            parts = []
            if message.pilot is not None:
                parts.append(f"pilot {message.pilot} ({PILOT_WORDS[message.pilot]})")
            if message.soc_percent is not None:
                parts.append(f"state of charge {message.soc_percent:g} %")
        case GridPower():
            way = "from" if message.total_watts >= 0 else "to"
            parts = [f"{abs(message.total_watts):.0f} W {way} the grid"]
        case GridLimit():
            allowed = LimitInForce(message.kw, message.amps)
            parts = ["open: no limit" if message.lifted else f"closed: {allowed.text} are allowed"]
        case _:
            parts = [type(message).__name__]
    return ", ".join(parts)
