"""A simulated charge point that speaks OCPP to the daemon, as equipment does.

Knows only the standard, and nothing of the daemon's side of it in `adapters.ocpp`.
"""

from __future__ import annotations
