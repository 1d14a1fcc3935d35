"""A simulated charge point and vehicle that behave as real hardware should.

Shares no formula with the planners, so that each can be checked against the other.
"""

from __future__ import annotations
