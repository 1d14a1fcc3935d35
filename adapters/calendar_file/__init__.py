"""Read calendars in iCalendar (RFC 5545) within limits of time and size, and write one.

Decides nothing about vehicles: the rules for events are passed in.
"""

from __future__ import annotations
