"""Types for the values in our files, such as names, amounts, zones and holidays.

Each type states its range and what to write instead. Knows no file and no model.
"""

from __future__ import annotations
