"""Show a month as text, a page with pictures, or rows (`lullwatt month`).

The data comes from `daemon.night_log`.
"""

from __future__ import annotations
