"""Random delays of starts and other changes that a price or a time causes.

Knows no charge point's state.
"""

from __future__ import annotations
