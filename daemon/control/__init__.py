"""The controller of one charge point: a pure function of state, event and time.

No bus, ledger, timer or clock: what it wants done, it returns as actions.
"""

from __future__ import annotations
