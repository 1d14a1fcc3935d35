"""Rehearse a night in virtual time: the real daemon, a real broker, simulated hardware."""

from __future__ import annotations
