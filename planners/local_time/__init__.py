"""Convert between UTC and a household's clock; find departures, local days and half-hours.

The rest of the planners counts in UTC. Knows no rates.
"""

from __future__ import annotations
