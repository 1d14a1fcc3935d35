"""Keep all charge points below what the home's live load leaves of the main fuse.

Stands below the plans: it only lowers and stops. Knows no bus and no ledger.
"""

from __future__ import annotations
