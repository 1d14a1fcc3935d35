"""What the page reads from the ledger: tonight, nights and why, months, and a year of months."""

from __future__ import annotations
