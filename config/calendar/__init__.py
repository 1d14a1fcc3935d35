"""The calendar of a tariff: months, seasons, kinds of day, and sets of dates.

Knows no rates: only which dates and hours something holds on, and the words for them.
"""

from __future__ import annotations
