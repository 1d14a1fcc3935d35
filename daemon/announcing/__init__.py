"""Tell the home's network where the doors of a household are: `lullwatt announce`.

A process of its own: whoever floods or fools it can hinder no charge. Knows nothing of plans.
"""

from __future__ import annotations
