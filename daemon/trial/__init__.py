"""Show a charge point's messages, or try it out: the command `lullwatt wiring`."""

from __future__ import annotations
