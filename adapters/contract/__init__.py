"""The contract of the bus: topics, messages, schemas, and the AsyncAPI document of them.

Opens no connection.
"""

from __future__ import annotations
