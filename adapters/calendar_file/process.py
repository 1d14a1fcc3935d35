"""Have a calendar read by a process of its own, so that none can stop or fill this one."""

from __future__ import annotations

from importlib.util import find_spec
from typing import Final

from adapters.calendar_file.task import CalendarAnswer, CalendarTask
from adapters.host.worker_process import WorkerFailed, WorkerProcess

LIMIT_SECONDS: Final = 45.0
"""How long a calendar may take, on a slow machine too [s]."""

_CHILD = "adapters.calendar_file.child"


def is_available() -> bool:
    """Whether the extra that reads calendars is installed."""
    return all(find_spec(each) is not None for each in ("dateutil", "icalendar"))


def read_apart(task: CalendarTask, limit_seconds: float = LIMIT_SECONDS) -> CalendarAnswer:
    """Read a calendar in another process, and wait for it.

    Parameters
    ----------
    task : CalendarTask
        The calendar, and what counts.
    limit_seconds : float
        The process is killed then.

    Returns
    -------
    CalendarAnswer
        What it says, or that it takes too long.
    """
    if not is_available():
        return CalendarAnswer(
            "reading it needs the extra calendar: pip install 'lullwatt[calendar]'"
        )
    worker = WorkerProcess(_CHILD)
    try:
        for answer in worker.ask(task, limit_seconds):
            if isinstance(answer, CalendarAnswer):
                return answer
    except WorkerFailed:
        pass
    finally:
        worker.close()
    return CalendarAnswer("reading it takes too long, or too much memory")
