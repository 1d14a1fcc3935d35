"""Observers of the daemon's loop: notices to the service manager, and figures for graphs.

They see each turn when it is over. Nothing they do changes what the daemon does.
"""

from __future__ import annotations
