"""The command `lullwatt page`: serves the household's page, in a process of its own.

Speaks to the daemon only over the bus, as a person does: nothing that happens here stops a charge.
"""

from __future__ import annotations
