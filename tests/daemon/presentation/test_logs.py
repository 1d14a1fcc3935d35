"""The log of a service manager: one readable line for each event."""

from __future__ import annotations

from typing import Any

import pytest

from daemon.presentation.logs import one_line

AT = {"timestamp": "2026-11-28T18:56:53.090847Z"}


@pytest.mark.parametrize(
    ("event", "line"),
    [
        ({"event": "plugged-in", "level": "info", "charge_point": "outlet"}, "outlet: plugged-in"),
        (
            {"event": "alert", "level": "warning", "code": "no-reading", "charge_point": "a"},
            "warning: a: alert (code no-reading)",
        ),
        (
            {"event": "planned", "level": "info", "kwh": 5.2, "known_until": None},
            "planned (kwh 5.2, known until None)",
        ),
        (
            {"event": "changes", "level": "info", "of": ["bus", "ledger"]},
            "changes (of bus, ledger)",
        ),
        (
            {"event": "failed", "level": "error", "exception": "Traceback:\n  line 1\nKeyError"},
            "error: failed (exception Traceback: /   line 1 / KeyError)",
        ),
        (
            {"event": "odd \x1b[31m", "level": "info", "topic": "a\nb\x07"},
            "odd \\x1b[31m (topic a / b\\x07)",
        ),
    ],
)
def test_an_event_is_one_line(event: dict[str, Any], line: str) -> None:
    """Whatever a message brought, it can neither break the line nor colour the terminal."""
    assert one_line(None, "", AT | event) == f"2026-11-28T18:56:53Z {line}"
