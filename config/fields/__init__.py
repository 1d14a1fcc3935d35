"""Types for the values in our files: names, amounts, zones, currencies, holidays, addresses.

Each type states its range and what to write instead. Knows no file and no model.
"""

from __future__ import annotations
