"""Read nights from the ledger and show them: `lullwatt nights`, and the data of a month."""

from __future__ import annotations
