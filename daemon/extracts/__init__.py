"""Extracts of a household's record: make and seal one, open one, and keep those of many homes.

A home that was received is a folder with a household file and a ledger, so that every report reads
it like any other. Sending the file is the household's own act: nothing here uses a network.
"""

from __future__ import annotations
