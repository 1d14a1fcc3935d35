"""The machine around the daemon: signals, service manager, memory, the user's alert command."""

from __future__ import annotations
