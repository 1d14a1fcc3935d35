"""Find what the answer of an appraisal hangs on: one input is changed at a time.

Knows no page and no table; `planners.appraisal` compares the choices.
"""

from __future__ import annotations
