"""Work out what payments over several years are worth today, and when they pay back.

Knows no tariff and no vehicle: amounts go in, present values come out.
"""

from __future__ import annotations
