"""The machine around the daemon: signals, sockets, memory, other programs."""

from __future__ import annotations
