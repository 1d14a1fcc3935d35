"""Events of a household's calendars that say when vehicles leave: what is declared, what is found.

Reads no calendar: `adapters.calendar_file` does.
"""

from __future__ import annotations
