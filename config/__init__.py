"""What a household declares: models of its files, loading them, errors with file and line."""

from __future__ import annotations
