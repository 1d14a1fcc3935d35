"""What printed output shares: options, figures, CSV, HTML pages, logs, plans."""

from __future__ import annotations
