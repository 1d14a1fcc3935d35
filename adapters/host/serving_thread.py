"""Run an asyncio server on its own thread, started and stopped from other threads."""

from __future__ import annotations

import asyncio
import errno
from collections.abc import Callable, Coroutine
from concurrent.futures import Future
from threading import Thread
from typing import Any

Serve = Callable[[asyncio.Event, Callable[[int], None]], Coroutine[Any, Any, None]]
"""Serves until the event is set; calls the function with its port once it listens."""


class ServingThread:
    """A thread with an event loop that runs one server.

    Parameters
    ----------
    name
        The thread's name.
    serve
        The server.
    """

    def __init__(self, name: str, serve: Serve) -> None:
        self._serve = serve
        self._listening: Future[int] = Future()
        self._stopping: asyncio.Event | None = None
        self._loop: asyncio.AbstractEventLoop | None = None
        self._thread = Thread(target=self._run, name=name, daemon=True)

    def start(self, limit_seconds: float | None = None) -> int:
        """Start the server and wait until it listens.

        Parameters
        ----------
        limit_seconds
            The longest wait, followed by a `TimeoutError`; None for no limit. An error of the
            server before it listens is raised too.

        Returns
        -------
        int
            The port it listens on.
        """
        self._thread.start()
        return self._listening.result(limit_seconds)

    def stop(self, limit_seconds: float) -> None:
        """Stop the server and wait for its end. Does nothing if it never started."""
        if self._loop is not None and self._stopping is not None and self._thread.is_alive():
            self._loop.call_soon_threadsafe(self._stopping.set)
            self._thread.join(limit_seconds)

    def call_soon(self, call: Callable[..., object], *arguments: object) -> bool:
        """Have a function called on the thread; return False if the server does not run."""
        if self._loop is None:
            return False
        try:
            self._loop.call_soon_threadsafe(call, *arguments)
        except RuntimeError:  # the loop has ended
            return False
        return True

    def is_alive(self) -> bool:
        """Return whether the thread runs."""
        return self._thread.is_alive()

    def _run(self) -> None:
        try:
            asyncio.run(self._serve_until_stopped())
        except Exception as error:  # noqa: BLE001 - it is raised again where `start` waits
            if not self._listening.done():
                self._listening.set_exception(error)

    async def _serve_until_stopped(self) -> None:
        self._loop = asyncio.get_running_loop()
        self._stopping = asyncio.Event()
        await self._serve(self._stopping, self._listening.set_result)


def why_not_listening(error: Exception) -> str:
    """Explain why a server can't listen."""
    if isinstance(error, OSError) and error.errno == errno.EADDRINUSE:
        return "another program uses that port"
    return str(error)
