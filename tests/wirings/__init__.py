"""Whole nights of every wired example, with good hardware and with each fault of it."""

from __future__ import annotations
