"""Copy a ledger while the daemon writes to it, and compare the copy with its source."""

from __future__ import annotations
