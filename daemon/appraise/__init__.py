"""Show an appraisal as text, as a page with pictures, and as rows: the command `lullwatt appraise`.

The figures come from `planners.appraisal`.
"""

from __future__ import annotations
