"""Clocks that are passed in, the daemon's timer, and instants as text."""

from __future__ import annotations
