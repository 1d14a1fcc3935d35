"""Show an appraisal as an HTML page with pictures (`lullwatt appraise --format html`).

The words and tables come from `daemon.appraise`.
"""

from __future__ import annotations
