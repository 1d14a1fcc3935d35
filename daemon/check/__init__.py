"""Explain a household file in plain words: the text of `lullwatt check`."""

from __future__ import annotations
