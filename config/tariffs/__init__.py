"""Models of a tariff: bands of hours, price series, usage tiers.

Also the rules between bands. Computes no rates.
"""

from __future__ import annotations
