"""The contract of the bus: topics, messages, schemas, and the AsyncAPI document made from them.

Opens no connection.
"""

from __future__ import annotations
