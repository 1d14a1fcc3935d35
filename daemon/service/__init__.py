"""The running daemon: start, recover, loop, and watch the household file, the clock and the ledger.

Moves events and actions. Decides nothing about charging.
"""

from __future__ import annotations
