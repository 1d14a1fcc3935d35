"""Write an adviser's letter of one page to a client (`lullwatt letter`).

The month comes from `daemon.night_log`, what another tariff is worth from `daemon.desk`.
"""

from __future__ import annotations
