"""Where Lullwatt listens, which broker it connects to, and how both are protected."""

from __future__ import annotations
