"""What a household declares about a server that something is fetched from: address, key, TLS.

Knows nothing of what is fetched.
"""

from __future__ import annotations
