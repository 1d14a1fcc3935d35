"""Models of a tariff: bands of hours, price series, usage tiers.

Also the rules between bands, and the home's known load, which has the same calendar. Computes no
rates.
"""

from __future__ import annotations
