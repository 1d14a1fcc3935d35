"""What a household declares: models, loading, errors with file and line."""

from __future__ import annotations
