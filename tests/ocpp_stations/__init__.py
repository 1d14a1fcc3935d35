"""Stations that speak OCPP 2.0.1 and 2.1, simulated from the published message schemas.

Nights, vehicle, meter and the judgement are those of `tests.ocpp_boxes`; the messages are its own,
on a raw websocket, and each is held against its schema, in both directions. `make stations` plays
each kind of station in each kind of night.
"""

from __future__ import annotations
