"""The contract of the bus: topics, messages, schemas, and its AsyncAPI document.

Opens no connection.
"""

from __future__ import annotations
