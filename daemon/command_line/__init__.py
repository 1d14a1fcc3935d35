"""The command line: reads arguments, calls the other rooms, and sets the exit code."""

from __future__ import annotations
