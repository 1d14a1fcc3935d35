"""The machine around the daemon: its service manager, its memory, and the user's alert command."""

from __future__ import annotations
