"""Share work among processes, with results in order: `in_order`.

An item whose process dies or hangs is lost alone. It knows nothing of what the work is.
"""

from __future__ import annotations
