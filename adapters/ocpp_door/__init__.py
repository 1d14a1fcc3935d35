"""Decide which OCPP equipment may connect, and end connections that flood.

Knows no message of OCPP.
"""

from __future__ import annotations
