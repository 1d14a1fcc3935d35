"""Hardware with topics and words of its own: what it is told, and how its messages are read.

Also the access list for the broker. Decides nothing about charging.
"""

from __future__ import annotations
