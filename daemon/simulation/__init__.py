"""Play a charge point on the household's own broker: the command `lullwatt simulate`."""

from __future__ import annotations
