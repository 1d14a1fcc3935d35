"""Show many homes at once: their months (`lullwatt month`), and the best choice for each.

A home that can't be read is a row with its reason; the others go on. Nothing here asks a daemon.
"""

from __future__ import annotations
