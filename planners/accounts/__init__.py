"""Price metered energy to the watt-hour; compare a supplier's bill with it.

Money here is Decimal. Knows no plan.
"""

from __future__ import annotations
