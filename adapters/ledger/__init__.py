"""The durable record on SQLite: open, migrate, write, read, retain, and lock it.

Decides nothing about what to record.
"""

from __future__ import annotations
