"""Account for a night: energy, cost and baselines, and what is kept until it can be recorded."""

from __future__ import annotations
