"""The running daemon: start, recover, loop, and watch the household file, the clock and the ledger.

It moves events and actions, and decides nothing about charging.
"""

from __future__ import annotations
