"""Show an appraisal as text, page, pictures and rows: the command `lullwatt appraise`.

The figures come from `planners.appraisal`.
"""

from __future__ import annotations
