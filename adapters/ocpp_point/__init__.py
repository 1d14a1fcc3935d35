"""What is declared and known of equipment that speaks OCPP, and the limits that it is sent.

Opens no connection, and knows no package for OCPP.
"""

from __future__ import annotations
