"""The controller of one charge point: a pure function of state, event and time.

It knows no bus, ledger, timer or clock; it returns what must be done as actions.
"""

from __future__ import annotations
