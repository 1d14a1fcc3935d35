"""Serve equipment that speaks OCPP: send it commands, in whichever version it speaks.

Decides nothing about charging. `adapters.ocpp_versions` has the messages of each version.
"""

from __future__ import annotations
