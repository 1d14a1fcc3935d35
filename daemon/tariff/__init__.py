"""Show the rates of some days, also as pictures: the command `lullwatt tariff`."""

from __future__ import annotations
