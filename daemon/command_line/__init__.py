"""The command line: read arguments, call the other rooms, print, and set the exit code."""

from __future__ import annotations
