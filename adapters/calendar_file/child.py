"""The process that reads calendars. Run by `adapters.calendar_file.process`."""

from __future__ import annotations

import resource
import warnings
from contextlib import suppress
from typing import TYPE_CHECKING, Final

from adapters.calendar_file.reading import read_calendar
from adapters.calendar_file.task import CalendarAnswer, CalendarTask
from adapters.host.worker_process import serve
from config.fields.zones import use_pinned_zones

if TYPE_CHECKING:
    from collections.abc import Callable

_MOST_MEMORY_BYTES: Final = 512 * 1024 * 1024


def answer(
    task: CalendarTask, send: Callable[[CalendarAnswer], None], _is_hurried: Callable[[], bool]
) -> None:
    """Send what a calendar says."""
    try:
        send(read_calendar(task))
    except MemoryError:
        send(CalendarAnswer("it needs too much memory to be read"))


if __name__ == "__main__":
    with suppress(OSError, ValueError):  # a service manager sets limits of its own
        resource.setrlimit(resource.RLIMIT_AS, (_MOST_MEMORY_BYTES, _MOST_MEMORY_BYTES))
    use_pinned_zones()
    warnings.simplefilter("ignore")  # what libraries doubt is no news for the daemon's log
    serve(answer)
