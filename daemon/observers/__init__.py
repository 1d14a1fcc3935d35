"""Observers of the loop: what the service manager is told, and figures for graphs.

They see each turn once it is over. Nothing they do changes what the daemon does.
"""

from __future__ import annotations
