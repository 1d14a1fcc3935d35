"""Plan one vehicle's charging: periods, costs and reasons.

Builds the problem for `planners.solver` from household, prices and state of charge, and turns its
solution into periods and sentences. Reads no clock.
"""

from __future__ import annotations
