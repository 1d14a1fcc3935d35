"""Boxes that speak OCPP 1.6J, simulated from the standard on a raw websocket, beside a real daemon.

``python -m tests.ocpp_boxes``, or ``make boxes``, plays a night of each kind of box with each
behaviour. `kinds` has the boxes, `profiles` what a charging profile means, `box` the box itself,
`link` its connection, `nights` the daemon beside it, and `verdict` what must never happen. Nothing
here uses the daemon's own code for OCPP, nor the package that it uses.
"""

from __future__ import annotations
