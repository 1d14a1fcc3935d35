"""The command `lullwatt fetch-prices`: put tomorrow's prices into the price file of a tariff.

It judges an answer before it replaces anything. The daemon reads the file again when it changes.
"""

from __future__ import annotations
