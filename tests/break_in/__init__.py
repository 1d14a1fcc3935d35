"""Break-ins at the page, over real connections: `make break-in`."""

from __future__ import annotations
