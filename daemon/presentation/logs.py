"""Set up the log on standard error: a readable line for each event, or JSON lines."""

from __future__ import annotations

import logging
import sys
from collections import Counter
from time import monotonic
from typing import TYPE_CHECKING

import structlog

from config.files.texts import printable

if TYPE_CHECKING:
    from collections.abc import Callable

_SAID_AGAIN_SECONDS = 60.0
_MOST_KINDS = 200
"""Most kinds of warnings that are told apart."""

_TO_THE_SECOND = 19
"""Characters of an instant in RFC 3339, to the second."""


def set_up_logs(*, quiet: bool = False, as_json: bool = False) -> None:
    """Send structlog's events to standard error.

    Parameters
    ----------
    quiet : bool
        Whether to log only warnings and errors.
    as_json : bool
        Whether to write each event as a JSON object, for programs.
    """
    terminal = sys.stderr.isatty()
    renderer: structlog.typing.Processor = one_line
    if as_json:
        renderer = structlog.processors.JSONRenderer(ensure_ascii=False)
    elif terminal:
        renderer = structlog.dev.ConsoleRenderer(exception_formatter=structlog.dev.plain_traceback)
    structlog.configure(
        processors=[
            structlog.processors.add_log_level,
            RepeatedWarnings(),
            structlog.processors.TimeStamper(fmt="iso", utc=as_json or not terminal),
            structlog.processors.format_exc_info,
            renderer,
        ],
        wrapper_class=structlog.make_filtering_bound_logger(
            logging.WARNING if quiet else logging.INFO
        ),
        logger_factory=structlog.PrintLoggerFactory(sys.stderr),
        cache_logger_on_first_use=False,
    )


class RepeatedWarnings:
    """Log a warning about the same thing once a minute, with how often it came since.

    Parameters
    ----------
    seconds : callable
        A clock that only goes forward [s].
    """

    def __init__(self, seconds: Callable[[], float] = monotonic) -> None:
        self._seconds = seconds
        self._logged_at: dict[tuple[object, ...], float] = {}
        self._held: Counter[tuple[object, ...]] = Counter()

    def __call__(
        self, _logger: object, _method: str, event: structlog.typing.EventDict
    ) -> structlog.typing.EventDict:
        """Pass an event on, or drop it (`structlog.DropEvent`)."""
        if event.get("level") != "warning":
            return event
        about = (event.get(each) for each in ("charge_point", "topic", "of"))
        key: tuple[object, ...] = (event["event"], *about)
        if key not in self._logged_at and len(self._logged_at) >= _MOST_KINDS:
            key = (event["event"],)  # strangers may choose topics
        now = self._seconds()
        if now - self._logged_at.get(key, -_SAID_AGAIN_SECONDS) < _SAID_AGAIN_SECONDS:
            self._held[key] += 1
            raise structlog.DropEvent
        self._logged_at[key] = now
        held = self._held.pop(key, 0)
        if held:
            event["times_since"] = held
        return event


def one_line(_logger: object, _method: str, event: structlog.typing.EventDict) -> str:
    """Write an event as one line that a person can read.

    Parameters
    ----------
    event : dict
        With ``timestamp``, ``level`` and ``event``.

    Returns
    -------
    str
        Time in UTC, the level unless it is information, the charge point, what happened, details.
    """
    details = dict(event)
    at, level, what = (str(details.pop(key)) for key in ("timestamp", "level", "event"))
    where = (str(details.pop(key)) for key in ("charge_point",) if key in details)
    start = ": ".join((*([] if level == "info" else [level]), *where, what))
    rest = ", ".join(f"{key.replace('_', ' ')} {_words(value)}" for key, value in details.items())
    return printable(f"{at[:_TO_THE_SECOND]}Z {start}{f' ({rest})' if rest else ''}")


def _words(value: object) -> str:
    if isinstance(value, list | tuple):
        return ", ".join(map(str, value))
    return " / ".join(str(value).splitlines())
