"""What messages of hardware with its own topics say: where a value is, in which unit or words.

Knows no charge point and no bus.
"""

from __future__ import annotations
