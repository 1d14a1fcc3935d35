"""Copy a ledger while the daemon writes to it, and check the copy."""

from __future__ import annotations
