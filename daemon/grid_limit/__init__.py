"""Limits of the grid operator: which hold, until when, and the record that they were obeyed.

Knows no bus and no clock. The controllers keep below them (`planners.home.grid_limit`).
"""

from __future__ import annotations
