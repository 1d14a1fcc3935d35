"""Convert between UTC and a household's clock; find departures, local days and half-hours.

The other rooms of the planners calculate in UTC. Knows no rates.
"""

from __future__ import annotations
