"""A simulated charge point and vehicle that behave as hardware should.

Shares no formula with the planners, so that one can be checked by the other.
"""

from __future__ import annotations
