"""Calendars that say when vehicles leave: fetch them, read them, keep what they said, write one.

Knows nothing of plans, except for the calendar that it writes.
"""

from __future__ import annotations
