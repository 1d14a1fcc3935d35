"""Connect to an MQTT broker, reconnect, sign in, and word what the broker refuses.

Also the broker for trying out. The only room that imports paho or amqtt.
"""

from __future__ import annotations
