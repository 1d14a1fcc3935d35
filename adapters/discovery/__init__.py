"""Announce services in the network by multicast DNS.

Knows the protocol's names and addresses, and nothing of households.
"""

from __future__ import annotations
