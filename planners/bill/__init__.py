"""Compare a supplier's bill with our meters, and find the likely cause of each difference. Pure.

It knows no files and no tariffs: rates come in, and so does what our meters showed.
"""

from __future__ import annotations
