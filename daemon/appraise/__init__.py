"""Show an appraisal as text or rows (`lullwatt appraise`); `daemon.appraisal_page` has its page.

The figures come from `planners.appraisal`.
"""

from __future__ import annotations
