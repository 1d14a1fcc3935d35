"""Explain a night from the ledger alone: the command `lullwatt why`.

Never asks the daemon.
"""

from __future__ import annotations
