"""Work out the allowed currents, their power, losses and taper, with cautions.

Knows no rates and no plans.
"""

from __future__ import annotations
