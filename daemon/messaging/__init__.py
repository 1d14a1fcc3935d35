"""Turn messages into events for a controller, and its actions into rows and messages.

Decides nothing: that is `daemon.control`.
"""

from __future__ import annotations
