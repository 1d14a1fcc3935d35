"""Say what a kWh costs where the home's own generation leaves power over.

Knows neither roofs nor forecasts: a surplus is a power, and an export rate what it would earn.
"""

from __future__ import annotations
