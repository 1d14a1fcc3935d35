"""The embedded broker, inside the daemon, for trying out and for rehearsals only.

It speaks MQTT 3.1.1 on a loopback address, without passwords, and stores nothing. It is the
optional package amqtt, imported only when a broker is started.
"""

from __future__ import annotations

import asyncio
import ipaddress
from collections.abc import Callable
from typing import Final

from adapters.host.serving_thread import ServingThread, why_not_listening
from config.files.errors import BusError

STARTS_SECONDS: Final = 60.0
STOPS_SECONDS: Final = 10.0
_NOT_INSTALLED: Final = "the broker inside the daemon is not installed: install lullwatt[embedded]"


class EmbeddedBroker:
    """A broker on its own thread.

    Parameters
    ----------
    host
        A loopback address: without passwords, no other machine may reach it.
    port
        0 for any free one.

    Raises
    ------
    BusError
        If the host is not a loopback address.
    """

    def __init__(self, host: str = "127.0.0.1", port: int = 0) -> None:
        if not _is_loopback(host):
            raise BusError(f"the broker inside the daemon stays on this machine, not on {host}")
        self._host = host
        self._port = port
        self._thread = ServingThread("embedded broker", self._serve)

    def start(self) -> int:
        """Start the broker and wait until it listens.

        Returns
        -------
        int
            The port it listens on.

        Raises
        ------
        BusError
            If it can't be started, in plain words.
        """
        try:
            return self._thread.start(STARTS_SECONDS)
        except ImportError as error:
            raise BusError(_NOT_INSTALLED) from error
        except TimeoutError as error:
            raise BusError("the broker inside the daemon did not start in time") from error
        except Exception as error:
            address = f"{self._host}:{self._port}"
            raise BusError(
                f"no broker can be started at {address}: {why_not_listening(error)}"
            ) from error

    def stop(self) -> None:
        """Stop the broker and wait for its end. Does nothing if it never started."""
        self._thread.stop(STOPS_SECONDS)

    async def _serve(self, stopping: asyncio.Event, listening: Callable[[int], None]) -> None:
        from adapters.bus.embedded_server import serve  # noqa: PLC0415 - amqtt may not be installed

        await serve(self._host, self._port, stopping, listening)


def _is_loopback(host: str) -> bool:
    try:
        return ipaddress.ip_address(host).is_loopback
    except ValueError:
        return host == "localhost"
