"""Weigh a capacity charge against cheaper energy: how much power a plan should draw at most.

Knows powers and money, but no household, no clock time and no currency, except `household`, which
reads them from a household and its tariff.
"""

from __future__ import annotations
