"""The household file: its models, the rules between its parts, loading.

Knows nothing of what is done with a household.
"""

from __future__ import annotations
