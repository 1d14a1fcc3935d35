"""Talk to a running daemon over the bus: `lullwatt ask` and `lullwatt status`.

Knows the daemon only by its messages: reads neither its ledger nor its state.
"""

from __future__ import annotations
