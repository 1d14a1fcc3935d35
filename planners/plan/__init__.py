"""Plan for one vehicle: from household, prices and state of charge to periods, costs and reasons.

Builds the problem for `planners.solver` and words its answer. Reads no clock.
"""

from __future__ import annotations
