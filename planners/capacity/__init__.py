"""Weigh a capacity charge against cheaper energy: how much power a plan should draw at most.

Knows powers and money, but no bus, no ledger and no plan. Only `home_power`, `tonight` and `words`
know a household and its calendar.
"""

from __future__ import annotations
