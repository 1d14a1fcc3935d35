"""What a household declares: its models, how a file is read, errors that name file and line."""

from __future__ import annotations
