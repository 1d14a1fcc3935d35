"""Compare a supplier's bill with what our meters showed."""

from __future__ import annotations
