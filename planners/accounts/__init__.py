"""Price metered energy: register readings times rates, exact to the watt-hour; bills beside ours.

Money here is Decimal. Knows no plan.
"""

from __future__ import annotations
