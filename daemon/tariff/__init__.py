"""Show a tariff's days as text, CSV, JSON and pictures: the command `lullwatt tariff`."""

from __future__ import annotations
