"""Show a month as text, page, pictures and rows: the command `lullwatt month`.

The data come from `daemon.night_log`.
"""

from __future__ import annotations
