"""Play a charge point in real time: connect it, let time pass, and unplug nothing by itself."""

from __future__ import annotations

from contextlib import ExitStack, suppress
from typing import TYPE_CHECKING, Final

from adapters.contract.topics import Topics
from adapters.simulated.backwards import told_topics
from adapters.simulated.wired import FOR_EVER, SimulatedWiredHardware
from adapters.wired.command_messages import plain_message
from config.files.errors import UnwellError, UsageError
from config.files.secret_files import read_password
from daemon.control.state import assumed_soc_percent, vehicles_of
from daemon.rehearsal.hardware import hardware_as_wired
from daemon.rehearsal.rehearsal import Evening, simulated_point, simulated_vehicle
from daemon.simulation.topic_watch import PATIENCE_SECONDS, TopicWatch

if TYPE_CHECKING:
    from collections.abc import Callable, Iterator, Sequence

    from adapters.clocks.clock import Clock
    from adapters.simulated.charge_point import SimulatedChargePoint
    from adapters.simulated.faults import Fault
    from adapters.simulated_ocpp.hardware import SimulatedEquipment
    from config.household.household_file import HouseholdFile

LISTEN_SECONDS: Final = 10.0
"""How long it listens for real hardware before it says anything."""

LONGEST_STEP_SECONDS: Final = 1.0
"""How long it waits at most before it lets time pass."""


class Simulation:
    """One simulated charge point on the household's broker.

    Parameters
    ----------
    file
        The household.
    charge_point
        Its name.
    clock
        What time it is.
    say
        Takes a line of text for each message. It may fail: the terminal may be gone.
    fault
        What is wrong with the hardware.
    ocpp_version
        The version of OCPP that it speaks; by default that of the file, or 1.6.
    soc_percent
        The vehicle's state of charge; None for what the file assumes.

    Raises
    ------
    UsageError
        If no vehicle charges there, or no hardware could report as the wiring says.
    """

    def __init__(
        self,
        file: HouseholdFile,
        charge_point: str,
        clock: Clock,
        say: Callable[[str], None],
        *,
        fault: Fault | None = None,
        ocpp_version: str | None = None,
        soc_percent: float | None = None,
    ) -> None:
        vehicle = next(iter(vehicles_of(file, charge_point)), None)
        if vehicle is None:
            raise UsageError(f"no vehicle of the file charges at {charge_point}")
        self._clock = clock
        self._say = say
        self._wiring = file.charge_points[charge_point].wiring
        topics = Topics.of_file(file)
        now = clock.now()
        percent = assumed_soc_percent(file, vehicle) if soc_percent is None else soc_percent
        point = simulated_point(file, charge_point, now)
        self._point = point
        equipment = _equipment(file, charge_point, point, fault, ocpp_version)
        make = hardware_as_wired(file, fault)
        self._hardware = equipment or make(point, file.bus, topics, charge_point)
        self._equipment = equipment
        self._hardware.plug_in(simulated_vehicle(file, Evening(vehicle, now, percent)), now)
        self._vehicle = vehicle
        own: tuple[str, ...] = (topics.reading(charge_point), topics.vehicle(charge_point))
        if equipment is not None:
            own = ()
        elif isinstance(self._hardware, SimulatedWiredHardware):
            own = self._hardware.hear_topics
        told = told_topics(self._wiring) if self._wiring is not None else ()
        self.topics: tuple[str, ...] = tuple(each for each in own if each not in told)
        self._watch = TopicWatch(file.bus, topics.client_id, self.topics, self._hardware.will)
        self._hardware.on_publish = self._watch.expect
        self._hardware.narrate = self._narrate

    def stop(self) -> None:
        """End it; from any thread."""
        self._watch.stop()

    def run(self, confirm: Callable[[Sequence[str]], None], seconds: float | None = None) -> None:
        """Listen for real hardware, ask, and then play until it is told to stop.

        Parameters
        ----------
        confirm
            Shows a person these facts, and raises UsageError unless the answer is yes.
        seconds
            How long to play at most; None for until it is stopped.

        Raises
        ------
        UsageError
            If somebody else publishes on its topics, before or meanwhile, or the person says no.
        UnwellError
            If there is no broker.
        """  # noqa: DOC502 - raised by the parts
        with ExitStack() as ending:
            if self._equipment is None:
                ending.enter_context(self._watch)
                self._watch.connect()
            questions = self._wiring.hear.ask if self._wiring and self._wiring.hear else ()
            asked = [plain_message(each) for each in questions]
            self._watch.ask([(each.topic, each.payload) for each in asked])
            if self._equipment is None and not self._watch.wait(LISTEN_SECONDS):
                return
            confirm(tuple(self._facts()))
            self._point.advance(max(self._point.now, self._clock.now()))  # a yes may take long
            self._hardware.start()
            ending.callback(self._end)
            if not self._hardware.wait_connected(PATIENCE_SECONDS):
                where = "broker" if self._equipment is None else "daemon that lets it in over OCPP"
                raise UnwellError(f"the simulated hardware found no {where}")
            self._narrate(f"{self._vehicle} is plugged in. Ctrl-C ends the simulation.")
            self._play(seconds)

    def _facts(self) -> Iterator[str]:
        for topic in sorted(self._watch.stored):
            yield f"The broker has stored a message on {topic}: real hardware may be there, or was."

    def _play(self, seconds: float | None) -> None:
        begun = now = self._clock.now()
        goes_on = True
        while goes_on and (seconds is None or (now - begun).total_seconds() < seconds):
            now = max(now, self._clock.now())  # the clock may be put back
            self._hardware.step(now)
            due = (self._hardware.next_due() - self._clock.now()).total_seconds()
            with self._hardware.changed:
                self._hardware.changed.wait(max(0.0, min(due, LONGEST_STEP_SECONDS)))
            goes_on = self._watch.wait(0)
            if self._equipment is not None and self._equipment.is_displaced:
                raise UsageError(
                    "other equipment has connected with the same identity: disconnect it first"
                )

    def _end(self) -> None:
        self._hardware.say_goodbye()
        self._hardware.stop()

    def _narrate(self, line: str) -> None:
        with suppress(OSError):  # the terminal may be gone
            self._say(f"{self._clock.now().astimezone():%H:%M:%S}  {line}")


def _equipment(
    file: HouseholdFile,
    name: str,
    point: SimulatedChargePoint,
    fault: Fault | None,
    version: str | None,
) -> SimulatedEquipment | None:
    """Make simulated equipment that speaks OCPP; None for a charge point that does not."""
    declared, listener = file.charge_points[name], file.ocpp
    if declared.ocpp is None or listener is None:
        if version is not None:
            raise UsageError(f"--ocpp: {name} has no ocpp in the household file")
        return None
    if declared.ocpp.certificate_name is not None:
        raise UsageError(f"{name} signs in with a certificate of its own, which can't be played")
    try:
        from adapters.simulated_ocpp.connection import Door  # noqa: PLC0415 - an extra
        from adapters.simulated_ocpp.hardware import SimulatedEquipment  # noqa: PLC0415 - an extra
    except ModuleNotFoundError as error:
        raise UsageError(
            f"{name} speaks OCPP, for which the package {error.name} is not installed;"
            " install Lullwatt with its extra ocpp: pip install '.[ocpp]'"
        ) from error
    password = declared.ocpp.password_file
    host = "127.0.0.1" if listener.host in {"0.0.0.0", "::"} else listener.host  # noqa: S104 - compared
    return SimulatedEquipment(
        point, file.bus, Topics.of_file(file), name,
        door=Door(
            host, listener.port, declared.ocpp.identity,
            None if password is None else read_password(password),
            listener.certificate_file, version or declared.ocpp.version or "1.6",
        ),
        max_amps=declared.max_amps, watts_per_amp=file.household.nominal_volts * declared.phases,
        lasts=FOR_EVER, fault=fault,
    )  # fmt: skip
