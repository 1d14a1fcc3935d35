"""Plan all vehicles of a home together, so that they share the main fuse hour by hour.

States the joint problem from household, prices and states of charge, and allots its solution's
currents to the charge points. Reads no clock.
"""

from __future__ import annotations
