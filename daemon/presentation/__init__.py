"""What printed output shares: options, figures, strips, CSV, HTML, logs, and how a plan looks."""

from __future__ import annotations
