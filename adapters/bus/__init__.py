"""Connect to an MQTT broker: sign in, reconnect, and explain refusals.

Also the embedded broker for trying out. The only room that imports paho or amqtt.
"""

from __future__ import annotations
