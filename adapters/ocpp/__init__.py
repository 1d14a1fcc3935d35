"""Serve equipment that speaks OCPP 1.6J: accept it, read its messages, send it commands.

The only room that imports ocpp or websockets. Decides nothing about charging.
"""

from __future__ import annotations
