"""Show the rates of some days as text, CSV, JSON and pictures: the command `lullwatt tariff`."""

from __future__ import annotations
