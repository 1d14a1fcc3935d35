"""Account for a night: its energy, cost and baselines; save what is needed until then."""

from __future__ import annotations
