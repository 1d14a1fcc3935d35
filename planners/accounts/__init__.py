"""Price metered energy, exact to the watt-hour, and compare a supplier's bill with it.

Money here is Decimal. Knows no plan.
"""

from __future__ import annotations
