"""Turn messages into events for a controller, and its actions into messages.

It drops messages in a flood. About charging it decides nothing: that is `daemon.control`.
"""

from __future__ import annotations
