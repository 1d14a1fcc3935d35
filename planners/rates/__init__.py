"""Find what a kWh costs at any instant, tax included.

The rates come from bands, price series and usage tiers. Knows no vehicle and no plan.
"""

from __future__ import annotations
