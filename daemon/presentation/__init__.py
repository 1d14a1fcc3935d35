"""What all printed output shares: options, logs, strips, figures, pages, and the text of a plan."""

from __future__ import annotations
