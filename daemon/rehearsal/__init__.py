"""Rehearse a night in virtual time: real daemon, real broker, simulated hardware."""

from __future__ import annotations
