"""The planner's innermost loops, over plain arrays: in numpy, and compiled where that is installed.

Knows no problem, no vehicle and no rate. Both ways give the same numbers, to the last bit.
"""

from __future__ import annotations
