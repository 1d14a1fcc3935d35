"""Talk to a running daemon over the bus: the commands `lullwatt ask` and `lullwatt status`.

Reads nothing of the daemon's but its messages.
"""

from __future__ import annotations
