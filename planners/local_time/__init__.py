"""Convert between UTC and a household's clock; find departures and nights.

The other rooms of the planners calculate in UTC. Knows no rates.
"""

from __future__ import annotations
