"""Set up the log on standard error: text on a terminal, elsewhere JSON lines."""

from __future__ import annotations

import logging
import sys

import structlog


def set_up_logs(*, quiet: bool = False) -> None:
    """Send structlog's events to standard error.

    Parameters
    ----------
    quiet : bool
        Whether to log only warnings and errors.
    """
    terminal = sys.stderr.isatty()
    renderer: structlog.typing.Processor = (
        structlog.dev.ConsoleRenderer(exception_formatter=structlog.dev.plain_traceback)
        if terminal
        else structlog.processors.JSONRenderer(ensure_ascii=False)
    )
    structlog.configure(
        processors=[
            structlog.processors.add_log_level,
            structlog.processors.TimeStamper(fmt="iso", utc=not terminal),
            structlog.processors.format_exc_info,
            renderer,
        ],
        wrapper_class=structlog.make_filtering_bound_logger(
            logging.WARNING if quiet else logging.INFO
        ),
        logger_factory=structlog.PrintLoggerFactory(sys.stderr),
        cache_logger_on_first_use=False,
    )
