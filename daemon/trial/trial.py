"""A charge point under trial, without the daemon: its topics as heard, and what it is told.

The ledger's lock keeps a daemon from starting meanwhile, and the ledger gives the serials, so that
hardware takes the daemon's commands afterwards.
"""

from __future__ import annotations

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
    MalformedMessage,
    Reading,
    VehicleReport,
    decode,
    encode,
)
from adapters.contract.topics import Topics
from adapters.wired.channels import WiredChannel
from adapters.wired.point import WiredPoint
from config.files.errors import UnwellError, UsageError
from config.files.texts import printable
from daemon.service.recovery import SERIALS_SINCE
from daemon.trial.exercise import Seen

if TYPE_CHECKING:
    from collections.abc import Callable, Sequence
    from types import TracebackType

    from adapters.bus.events import BusEvent
    from adapters.clocks.clock import Clock
    from adapters.contract.messages import Message
    from adapters.ledger.ledger import Ledger
    from config.household.household_file import HouseholdFile

HOLDS = timedelta(minutes=10)
"""A start of a trial is void after this, whatever becomes of the trial."""

RETAINED_SECONDS = 1.5
"""What a broker keeps is here within this time, or there is none."""

LONGEST_SHOWN = 60


class Trial:
    """One charge point, heard and told.

    Parameters
    ----------
    file : HouseholdFile
        The household.
    charge_point : str
        Its name.
    clock : Clock
        What time it is.
    say : callable
        Takes a channel for each message that was heard.
    ledger : Ledger, optional
        Where commands are recorded; without it nothing can be told.
    """

    def __init__(
        self,
        file: HouseholdFile,
        charge_point: str,
        clock: Clock,
        say: Callable[[str], None],
        ledger: Ledger | None = None,
    ) -> None:
        self.seen = Seen()
        self._charge_point = charge_point
        self._clock = clock
        self._say = say
        self._ledger = ledger
        self._topics = topics = Topics(file.bus.root, file.household.name)
        point = file.charge_points[charge_point]
        watts_per_amp = file.household.nominal_volts * point.phases
        wiring = point.wiring
        hear, tell = (wiring.hear, wiring.tell) if wiring else (None, None)
        self._wired = None if hear is None else WiredPoint(hear, watts_per_amp=watts_per_amp)
        self._changed = Condition()
        self._reason = ""
        self._is_up = False
        self._daemon: DaemonState | None = None
        self._heard: Sequence[str] = (
            *(self._wired.topic_filters if self._wired else ()),
            topics.reading(charge_point),
            topics.vehicle(charge_point),
        )
        self._bus = MqttBus(
            file.bus,
            client_id=f"{topics.client_id}-trial-{token_hex(4)}",
            on_event=self._take,
            subscriptions=[topics.daemon, *self._heard],
            keep_session=False,
        )
        self._channel = (
            None if tell is None else WiredChannel(tell, self._bus, watts_per_amp=watts_per_amp)
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
        self._bus.stop()

    @property
    def topics_heard(self) -> Sequence[str]:
        """What is listened to."""
        return self._heard

    def connect(self, seconds: float) -> None:
        """Wait for the broker, and for what it has kept.

        Parameters
        ----------
        seconds : float
            How long to wait at the most.

        Raises
        ------
        UnwellError
            If there is no broker.
        """
        with self._changed:
            if not self._changed.wait_for(lambda: self._is_up, seconds):
                raise UnwellError(f"no broker: {self._reason or 'it does not answer'}")
            self._changed.wait_for(lambda: self._daemon is not None, RETAINED_SECONDS)

    def refuse_beside_a_daemon(self) -> None:
        """Refuse to tell anything while a daemon runs.

        Raises
        ------
        UsageError
            If one does: two that command would work against each other.
        """
        state, now = self._daemon, self._clock.now()
        if state is None or state.state == "offline":
            return
        if state.stale_after is None or state.stale_after > now:
            raise UsageError("a daemon of this household runs: stop it first, and start it again")

    def tell(self, do: Literal["start", "stop"], amps: float | None) -> None:
        """Tell it to start at a current [A], or to stop; recorded like any command."""
        if self._ledger is None:
            raise RuntimeError("nothing can be told without a ledger")
        now = self._clock.now()
        command = Command(
            serial=self._next_serial(),
            do=do,
            amps=amps,
            valid_until=now + HOLDS,
            why="a trial of the wiring",
        )
        self._ledger.add_command(self._charge_point, now, command)
        if self._channel is not None:
            self._channel.send(command, (), now)
        self._bus.publish(self._topics.command(self._charge_point), encode(command), retain=True)

    def wait(self, until: Callable[[Seen], bool], seconds: float) -> float | None:
        """Wait until something is seen; the seconds it took, or None after `seconds`."""
        begun = monotonic()
        with self._changed:
            seen = self._changed.wait_for(lambda: until(self.seen), seconds)
        return monotonic() - begun if seen else None

    def _next_serial(self) -> int:
        last = self._ledger.last_command(self._charge_point) if self._ledger else None
        since = (self._clock.now() - SERIALS_SINCE) // timedelta(minutes=1)
        return max(since, last.serial if last else 0) + 1

    # --- what is heard, on the bus's thread ---------------------------------------------------

    def _take(self, event: BusEvent) -> None:
        with self._changed:
            match event:
                case Connected():
                    self._is_up = True
                case Disconnected(reason):
                    self._reason, self._is_up = reason, False
                case MessageArrived():
                    self._hear(event)
                    event.ack()
                case _:
                    pass
            self._changed.notify_all()

    def _hear(self, message: MessageArrived) -> None:
        if message.topic == self._topics.daemon:
            self._daemon = _daemon_state(message.payload)
            return
        try:
            read = self._read(message)
            for said in read:
                self._see(said)
            meaning = "; ".join(_in_words(said) for said in read) or "nothing new"
        except MalformedMessage as error:
            meaning = f"not understood: {error}"
        shown = printable(message.payload[:LONGEST_SHOWN].decode(errors="replace"))
        at = self._clock.now().astimezone()
        kept = " (kept by the broker)" if message.retain else ""
        self._say(f"{at:%H:%M:%S}  {printable(message.topic)}  {shown}{kept}  ->  {meaning}")

    def _read(self, message: MessageArrived) -> tuple[Message, ...]:
        if message.topic == self._topics.reading(self._charge_point):
            return (decode(Reading, message.payload),)
        if message.topic == self._topics.vehicle(self._charge_point):
            return (decode(VehicleReport, message.payload),)
        if self._wired is None:
            return ()
        now = self._clock.now()
        return self._wired.read(message.topic, message.payload, now, retain=message.retain)

    def _see(self, said: Message) -> None:
        match said:
            case Reading():
                if said.watts is not None:
                    self.seen.watts, self.seen.watts_at = said.watts, said.at
                if said.register_kwh is not None:
                    self.seen.register_kwh = said.register_kwh
            case VehicleReport(pilot=str(pilot)):
                self.seen.pilot = pilot
            case _:
                pass


def _daemon_state(payload: bytes) -> DaemonState | None:
    try:
        return decode(DaemonState, payload) if payload else None
    except MalformedMessage:
        return None


def _in_words(said: Message) -> str:
    match said:
        case Reading():
            values = ((said.watts, "{:.0f} W"), (said.amps, "{:.1f} A"))
            parts = [form.format(value) for value, form in values if value is not None]
            if said.register_kwh is not None:
                parts.append(f"{said.register_kwh:.3f} kWh")
        case VehicleReport():
            parts = [] if said.pilot is None else [f"pilot {said.pilot}"]
            if said.soc_percent is not None:
                parts.append(f"state of charge {said.soc_percent:g} %")
        case _:
            parts = [type(said).__name__]
    return ", ".join(parts)
