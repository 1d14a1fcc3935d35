"""Equipment that speaks OCPP 1.6J: a central system, its door, and messages in both directions.

The only room that imports ocpp or websockets. Decides nothing about charging.
"""

from __future__ import annotations
