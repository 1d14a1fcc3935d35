"""Publish metrics as OpenMetrics text, in a file or by HTTP.

The only room that imports prometheus-client. Knows nothing of charge points.
"""

from __future__ import annotations
