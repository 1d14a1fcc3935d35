"""The messages of each version of OCPP: sessions that answer, and requests that are sent.

Decides nothing about charging: `adapters.ocpp` says what is to be sent, in no version's words.
"""

from __future__ import annotations
