"""Ask about a household and write its file: the command `lullwatt start-file`."""

from __future__ import annotations
