"""A small web server for the home network, with limits against strangers.

Knows HTTP, and nothing of what is asked for. aiohttp is an extra, imported only here.
"""

from __future__ import annotations
