"""Command hardware with its own topics and payloads, and read its messages.

Also makes the access list for the broker. Decides nothing about charging.
"""

from __future__ import annotations
