"""The clock that is passed in, the timers that wake the daemon, and instants as RFC 3339 text."""

from __future__ import annotations
