"""Put the daemon together and run it until it is told to stop."""

from __future__ import annotations

import gc
import sys
from contextlib import ExitStack
from importlib.metadata import version
from pathlib import Path
from signal import SIGHUP, SIGINT, SIGTERM
from typing import TYPE_CHECKING

import structlog

from adapters.bus.credentials import check_credentials
from adapters.bus.embedded_broker import EmbeddedBroker
from adapters.clocks.clock import SystemClock
from adapters.clocks.timers import WakeUpTimer
from adapters.contract.topics import Topics
from adapters.host.alert_command import AlertCommands
from adapters.host.service_notice import ServiceNotice
from adapters.host.signals import heed_signals
from adapters.ledger.ledger import open_ledger
from adapters.ledger.lock import lock_ledger
from config.fields.zones import zone_data_version
from config.files.errors import UnwellError
from daemon.calendar.calendar_reader import CalendarReader
from daemon.messaging.broker_connections import MOST_READINGS_A_SECOND, BrokerConnections
from daemon.messaging.hardware_channels import (
    hardware_channels_of,
    urgent_topic_filters,
    will_connections,
    wired_topic_filters,
)
from daemon.messaging.incoming import ChannelReady
from daemon.messaging.instance import new_instance
from daemon.messaging.ocpp_equipment import OcppEquipment
from daemon.observers.observers import Observers
from daemon.observers.service_manager import ServiceManager
from daemon.presentation.logs import set_up_logs
from daemon.service.backup_schedule import BackupSchedule
from daemon.service.clock_watch import ClockWatch
from daemon.service.household_watch import HouseholdWatch
from daemon.service.service import Halt, HandledEvent, Reload, Service, WakeUp
from daemon.sharing.planning_process import PlanningProcess
from planners.inner_loops.accelerator import is_installed

if TYPE_CHECKING:
    from collections.abc import Callable, Sequence
    from datetime import datetime

    from adapters.clocks.clock import Clock
    from adapters.ledger.ledger import Ledger
    from config.doors.broker import Bus
    from config.doors.metrics import Metrics
    from config.household.household_file import HouseholdFile
    from daemon.observers.metrics_schedule import MetricsSchedule

COLLECT_AFTER = (700, 10, 10)
"""Python's own thresholds: so many new objects, and so many looks at younger ones."""

_log = structlog.get_logger(__name__)


class Daemon:
    """A service, its bus and its timer, connected to one another.

    Parameters
    ----------
    watch : HouseholdWatch
        The household.
    ledger : Ledger
        The durable record.
    clock : Clock
        What time it is.
    bus : Bus
        The broker to connect to.
    wake_at : callable, optional
        Called to ask for a wake-up at an instant; APScheduler's by default. A simulation passes
        its own.
    observer : callable, optional
        Called after every event.
    run_command : callable, optional
        Runs the user's own command with an alert on its standard input.
    clock_watch : ClockWatch, optional
        Whether the clock is set; without it, it is assumed to be.
    backups : BackupSchedule, optional
        Backs up the ledger; without it, nothing does.
    wired : HouseholdFile, optional
        The household as its hardware is reached, if that is not as the file wires it.
    observers : Observers, optional
        Those that see each turn of the loop.
    plans_apart : bool
        Whether joint plans of several vehicles are made by a process of their own, so that the loop
        never waits for one. In simulated time there is nothing to wait for.
    """

    def __init__(
        self,
        watch: HouseholdWatch,
        ledger: Ledger,
        clock: Clock,
        bus: Bus,
        *,
        wake_at: Callable[[datetime], None] | None = None,
        observer: Callable[[HandledEvent], None] | None = None,
        run_command: Callable[[Sequence[str], bytes], None] | None = None,
        clock_watch: ClockWatch | None = None,
        backups: BackupSchedule | None = None,
        wired: HouseholdFile | None = None,
        observers: Observers | None = None,
        plans_apart: bool = False,
    ) -> None:
        file = watch.house.file
        wired = wired or file
        topics = Topics.of_file(file)
        self._mqtt = BrokerConnections(
            bus, topics, wired_topic_filters(wired), self.post, lambda: self._service.charges,
            urgent=urgent_topic_filters(wired),
            # In simulated time, a night's readings come in seconds: that is no flood.
            most_readings_a_second=MOST_READINGS_A_SECOND if wake_at is None else None,
        )  # fmt: skip
        self._ocpp = (
            None
            if wired.ocpp is None
            else OcppEquipment(wired, clock, self.post, registers_wh=_registers_wh(wired, ledger))
        )
        self._will_connections = will_connections(
            wired, bus, lambda point: self.post(ChannelReady(point))
        )
        self._timer = WakeUpTimer(lambda: self.post(WakeUp())) if wake_at is None else None
        if self._timer is not None:
            wake_at = self._timer.wake_at
        assert wake_at is not None  # noqa: S101 - one of the two is given
        self._channels = hardware_channels_of(
            wired, self._mqtt, ledger, ocpp=self._ocpp, wills=self._will_connections
        )
        self._planning = PlanningProcess(self.post) if plans_apart else None
        self._service = Service(
            watch, ledger, clock, bus=self._mqtt, wake_at=wake_at, observer=observer,
            me=new_instance(clock.now()), run_command=run_command,
            clock_watch=clock_watch, backups=backups,
            channels=self._channels,
            observers=observers,
            ask_for_plan=None if self._planning is None else self._planning.ask,
            ask_for_calendars=CalendarReader(self.post).ask if plans_apart else None,
        )  # fmt: skip

    def sent_to(self, charge_point: str) -> int:
        """Return how many messages wired hardware was sent; from any thread."""
        return self._channels.sent_to(charge_point)

    def post(self, event: object) -> None:
        """Pass an event on to the service; from any thread."""
        self._service.post(event)  # type: ignore[arg-type]  # the bus and the timer post theirs

    def run(self) -> bool:
        """Run until `halt`; then everything that was published has reached the broker.

        Returns
        -------
        bool
            False if it ended because another daemon of the household has taken over.
        """
        with ExitStack() as ending:
            if self._timer is not None:
                self._timer.start()
                ending.callback(self._timer.stop)
            # Before the bus, because it may fail: the port may be in use.
            if self._ocpp is not None:
                self._ocpp.start()
                ending.callback(self._ocpp.stop)
            self._mqtt.start()
            ending.callback(self._mqtt.stop)
            for will in self._will_connections.values():
                will.start()
                ending.callback(will.stop)
            if self._planning is not None:
                ending.callback(self._planning.stop)
            return self._service.run()

    def halt(self) -> None:
        """Ask it to stop; from any thread."""
        self.post(Halt())

    def reload(self) -> None:
        """Ask it to load the household file again; from any thread."""
        self.post(Reload())


def _registers_wh(file: HouseholdFile, ledger: Ledger) -> dict[str, float]:
    """Return the last register of each charge point that speaks OCPP [Wh]."""
    speaking = [name for name, point in file.charge_points.items() if point.ocpp is not None]
    found = {name: ledger.last_reading(name) for name in speaking}
    return {
        name: float(last.register_wh)
        for name, last in found.items()
        if last is not None and last.register_wh is not None
    }


def run_daemon(path: Path) -> bool:
    """Run the daemon of a household file until SIGTERM or SIGINT; SIGHUP loads the file again.

    Parameters
    ----------
    path : Path
        The household file.

    Returns
    -------
    bool
        False if it ended because another daemon of the household has taken over.

    Raises
    ------
    LullwattError
        If the file has faults, the ledger, a password file or a certificate can't be used, or the
        embedded broker can't start.
    """  # noqa: DOC502 - raised by the parts
    with ExitStack() as ending:
        notice = ServiceNotice.from_environment()
        ending.callback(notice.close)
        watch = HouseholdWatch(path, stores=True)
        file = watch.house.file
        check_credentials(file.bus)
        metrics = _metrics(file.metrics)
        ending.enter_context(lock_ledger(file.ledger.path))
        if file.bus.embedded:
            broker = EmbeddedBroker(file.bus.host, file.bus.port)
            broker.start()
            ending.callback(broker.stop)
        manager = ServiceManager(notice, file.ledger.path)
        manager.opens_the_ledger()
        ledger = open_ledger(file.ledger.path)
        ending.callback(ledger.close)
        commands = AlertCommands()
        commands.start()
        ending.callback(commands.stop)
        backups = BackupSchedule(
            file.ledger.path,
            lambda: watch.house.file.days,
            keep_readings_days=file.ledger.keep_readings_days,
        )
        ending.callback(backups.stop)
        daemon = Daemon(
            watch, ledger, SystemClock(), file.bus, run_command=commands.run,
            clock_watch=ClockWatch(), backups=backups,
            observers=Observers(manager, metrics), plans_apart=True,
        )  # fmt: skip
        if metrics is not None:
            metrics.start()  # after the ledger is open: its file must not replace the ledger
            ending.callback(metrics.stop)
        ending.enter_context(
            heed_signals({SIGTERM: daemon.halt, SIGINT: daemon.halt, SIGHUP: daemon.reload})
        )
        _log.info(
            "started", household=file.household.name, lullwatt=version("lullwatt"),
            time_zones=zone_data_version(), broker=file.bus.broker, ledger=str(file.ledger.path),
            accelerated=is_installed(),
        )  # fmt: skip
        _spare_what_is_loaded()
        was_halted = daemon.run()
    # Logged last: a backup in progress has ended, and the ledger is closed.
    _log.info("stopped", household=file.household.name)
    return was_halted


def _spare_what_is_loaded() -> None:
    """Look for garbage in what comes from now on, at the usual times, and not in what is loaded."""
    gc.freeze()
    gc.set_threshold(*COLLECT_AFTER)


def _metrics(declared: Metrics | None) -> MetricsSchedule | None:
    """Load the metrics only if the household file asks for them: they take memory."""
    if declared is None:
        return None
    from daemon.observers.metrics_output import check_metrics, metrics_output_of  # noqa: PLC0415
    from daemon.observers.metrics_schedule import MetricsSchedule  # noqa: PLC0415

    check_metrics(declared)
    return MetricsSchedule(metrics_output_of(declared))


def run(file: Path, *, json_log: bool) -> None:
    """Run the daemon as a command, with its logs and its exit code."""
    set_up_logs(as_json=json_log)
    if not run_daemon(file):
        sys.exit(UnwellError.exit_code)
