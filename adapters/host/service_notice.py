"""Notify the service manager by sd_notify(3): datagrams of lines to its socket.

Knows the protocol and not the messages. Without a socket in the environment nothing happens. The
protocol is published with a promise of stability in sd_notify(3), and the watchdog's part of it in
sd_watchdog_enabled(3), https://www.freedesktop.org/software/systemd/man/latest/sd_notify.html.
"""

from __future__ import annotations

import os
import socket
from typing import TYPE_CHECKING, Final

import structlog

if TYPE_CHECKING:
    from collections.abc import MutableMapping

SOCKET_VARIABLE: Final = "NOTIFY_SOCKET"
WATCHDOG_VARIABLE: Final = "WATCHDOG_USEC"
WATCHDOG_PID_VARIABLE: Final = "WATCHDOG_PID"
VARIABLES: Final = (SOCKET_VARIABLE, WATCHDOG_VARIABLE, WATCHDOG_PID_VARIABLE)

_MICROSECONDS: Final = 1_000_000

_log = structlog.get_logger(__name__)


class ServiceNotice:
    """Sends messages to the service manager, and never waits for it.

    Parameters
    ----------
    address : str, optional
        The manager's socket: a path, or a name that begins with @ in the abstract space of Linux.
        Without it nothing is sent.
    watchdog_seconds : float, optional
        The manager expects a sign of life at least this often [s].
    """

    def __init__(self, address: str | None = None, watchdog_seconds: float | None = None) -> None:
        self._address = None if address is None else address.replace("@", "\0", 1)
        self.watchdog_seconds = None if address is None else watchdog_seconds
        self._socket: socket.socket | None = None
        self._last_error: str | None = None

    @classmethod
    def from_environment(cls, environment: MutableMapping[str, str] = os.environ) -> ServiceNotice:
        """Take the socket from the environment, so that no other program inherits it.

        Parameters
        ----------
        environment : mutable mapping of str to str
            The three variables are removed from it.

        Returns
        -------
        ServiceNotice
            It sends nothing if there is no socket, or one of an unknown kind.
        """
        address, watchdog, pid = (environment.pop(name, None) for name in VARIABLES)
        if address is None:
            return cls()
        if address[:1] not in {"/", "@"} or len(address) == 1:
            _log.warning(f"{SOCKET_VARIABLE} is ignored: neither a path nor an abstract name")
            return cls()
        is_for_us = pid is None or pid == str(os.getpid())
        return cls(address, _watchdog_seconds(watchdog) if is_for_us else None)

    @property
    def has_manager(self) -> bool:
        """Whether there is a service manager."""
        return self._address is not None

    def send(self, **values: str | int) -> bool:
        """Send a message in one datagram.

        Parameters
        ----------
        **values : str or int
            With the names of sd_notify(3).

        Returns
        -------
        bool
            False if it can't be sent at present; the caller may try again.
        """
        if self._address is None:
            return True
        text = "\n".join(f"{name}={_one_line(str(value))}" for name, value in values.items())
        try:
            self._open().sendto(text.encode(), self._address)
        except OSError as error:  # its queue may be full, or it is being restarted itself
            self._log_once(error.strerror or str(error))
            return False
        self._last_error = None
        return True

    def close(self) -> None:
        """Close the socket."""
        if self._socket is not None:
            self._socket.close()
            self._socket = None

    def _open(self) -> socket.socket:
        if self._socket is None:
            self._socket = socket.socket(socket.AF_UNIX, socket.SOCK_DGRAM)
            self._socket.settimeout(0)
        return self._socket

    def _log_once(self, why: str) -> None:
        if why != self._last_error:
            _log.warning("the service manager can't be reached", why=why)
        self._last_error = why


def _watchdog_seconds(text: str | None) -> float | None:
    if text is None:
        return None
    if not (text.isascii() and text.isdigit() and int(text) > 0):
        _log.warning(f"{WATCHDOG_VARIABLE} is ignored: not a number of microseconds", got=text)
        return None
    return int(text) / _MICROSECONDS


def _one_line(text: str) -> str:
    """Replace line breaks and other control characters: a message must be one line."""
    return "".join(letter if letter.isprintable() else " " for letter in text)
