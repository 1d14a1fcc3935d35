"""The long-running service: a pure controller, what feeds it, reports, the command line."""

from __future__ import annotations
