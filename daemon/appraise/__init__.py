"""Show an appraisal as text, a page with pictures, or rows (`lullwatt appraise`).

The figures come from `planners.appraisal`.
"""

from __future__ import annotations
