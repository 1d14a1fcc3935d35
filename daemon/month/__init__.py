"""Show a month as text, as a page with pictures, and as rows: the command `lullwatt month`.

The data comes from `daemon.night_log`.
"""

from __future__ import annotations
