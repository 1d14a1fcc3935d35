"""Say what every figure of the reports means: its kind, its unit, where it is from.

The JSON Schemas and the sheets of definitions are made of it. It knows no report's code.
"""

from __future__ import annotations
