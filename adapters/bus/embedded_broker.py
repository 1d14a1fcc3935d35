"""The embedded broker, inside the daemon, for trying out and for rehearsals only.

It speaks MQTT 3.1.1 on a loopback address, without passwords, and stores nothing. It is the
optional package amqtt, imported only when a broker is started.
"""

from __future__ import annotations

import asyncio
import errno
import ipaddress
from concurrent.futures import Future
from threading import Thread
from typing import Final

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
        self._started: Future[int] = Future()
        self._stopping: asyncio.Event | None = None
        self._loop: asyncio.AbstractEventLoop | None = None
        self._thread = Thread(target=self._serve, name="embedded broker", daemon=True)

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
        self._thread.start()
        try:
            return self._started.result(STARTS_SECONDS)
        except ImportError as error:
            raise BusError(_NOT_INSTALLED) from error
        except TimeoutError as error:
            raise BusError("the broker inside the daemon did not start in time") from error
        except Exception as error:
            address = f"{self._host}:{self._port}"
            raise BusError(f"no broker can be started at {address}: {_reason(error)}") from error

    def stop(self) -> None:
        """Stop the broker and wait for its end. Does nothing if it never started."""
        if self._loop is not None and self._stopping is not None and self._thread.is_alive():
            self._loop.call_soon_threadsafe(self._stopping.set)
            self._thread.join(STOPS_SECONDS)

    def _serve(self) -> None:
        try:
            asyncio.run(self._until_stopped())
        except Exception as error:  # noqa: BLE001 - it is raised again where `start` waits
            if not self._started.done():
                self._started.set_exception(error)

    async def _until_stopped(self) -> None:
        from adapters.bus.embedded_server import serve  # noqa: PLC0415 - amqtt may not be installed

        self._loop = asyncio.get_running_loop()
        self._stopping = asyncio.Event()
        await serve(self._host, self._port, self._stopping, self._started.set_result)


def _is_loopback(host: str) -> bool:
    try:
        return ipaddress.ip_address(host).is_loopback
    except ValueError:
        return host == "localhost"


def _reason(error: Exception) -> str:
    if isinstance(error, OSError) and error.errno == errno.EADDRINUSE:
        return "another program uses that port"
    return str(error)
