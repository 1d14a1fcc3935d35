"""Serve equipment that speaks OCPP 1.6J: read its messages, send it commands.

The only room that imports ocpp or websockets. Decides nothing about charging.
"""

from __future__ import annotations
