"""Read text, CSV and YAML files; every fault names its file, line and column.

Owns the tree of errors meant for people. Knows nothing of households, tariffs or choices.
"""

from __future__ import annotations
