"""Read nights and months from the ledger; show nights: the command `lullwatt nights`."""

from __future__ import annotations
