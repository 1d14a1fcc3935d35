"""Fetch a document into a file: make the request, keep a note of the last one.

Knows nothing of what the document says.
"""

from __future__ import annotations
