"""Sign extracts with a household's key (Ed25519) and encrypt them to an adviser's (age).

Knows keys and bytes, and nothing of what an extract holds.
"""

from __future__ import annotations
