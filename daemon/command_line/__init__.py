"""The command line: read arguments, call other rooms, print, set the exit code."""

from __future__ import annotations
