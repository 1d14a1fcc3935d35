"""Plan several vehicles together that share a fuse, and bound how much cheaper a plan could be.

Each vehicle's own problem stays that of `planners.solver`. Knows no household, no clock time and
no currency.
"""

from __future__ import annotations
