"""The currents a file allows, the power they give, losses and taper, and cautions about them.

Knows rates only to price a known load's share. Chooses nothing.
"""

from __future__ import annotations
