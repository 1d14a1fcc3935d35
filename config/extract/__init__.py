"""An extract of a household's record for an adviser: its models, and which keys it may hold.

Knows neither keys nor ledgers. What is not listed here is never shared.
"""

from __future__ import annotations
