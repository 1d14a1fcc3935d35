"""Turn messages into events for a controller, and its actions into messages.

Decides nothing: that is `daemon.control`.
"""

from __future__ import annotations
