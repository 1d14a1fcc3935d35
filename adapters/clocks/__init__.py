"""The clock that is passed in, the timer that wakes the daemon, and instants as RFC 3339 text."""

from __future__ import annotations
