"""Read nights and months from the ledger; show nights (`lullwatt nights`)."""

from __future__ import annotations
