"""The durable record on SQLite: open, migrate, write, read, prune and lock it.

Only this room and `adapters.backups` import sqlite3. Decides nothing about what to record.
"""

from __future__ import annotations
