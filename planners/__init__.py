"""Pure computation: no I/O, no clock, no logging. Rates, the planning problem, plans, accounts."""

from __future__ import annotations
