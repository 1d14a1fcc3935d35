"""The file of paired devices: the page and `lullwatt page --pair` both change it.

It is replaced as a whole, under a lock, and only its owner may read it. It holds hashes, no secret.
"""

from __future__ import annotations

import fcntl
import json
import os
from contextlib import contextmanager
from typing import TYPE_CHECKING, Any

from adapters.clocks.instants import parse_instant
from adapters.host.whole_file import replacing
from config.files.errors import LullwattError
from daemon.page.devices import Device, Devices, Offer

if TYPE_CHECKING:
    from collections.abc import Callable, Iterator
    from pathlib import Path

_VERSION = 1
_ONLY_OWNER = 0o600


class DevicesError(LullwattError):
    """The file of paired devices can't be read or written."""


class DevicesFile:
    """Reads the file when it has changed, and replaces it.

    Parameters
    ----------
    path
        The file; it need not exist.
    """

    def __init__(self, path: Path) -> None:
        self._path = path
        self._stamp: tuple[int, int, int] | None = None
        self._devices = Devices()

    def read(self) -> Devices:
        """Return the devices; `DevicesError` if the file can't be read."""
        with self._plain_errors():
            try:
                stat = self._path.stat()
            except FileNotFoundError:
                self._stamp, self._devices = None, Devices()
                return self._devices
            stamp = (stat.st_mtime_ns, stat.st_ino, stat.st_size)
            if stamp != self._stamp:
                self._devices = _devices_of(json.loads(self._path.read_bytes()))
                self._stamp = stamp
        return self._devices

    def change(self, changed: Callable[[Devices], Devices | None]) -> None:
        """Replace the devices.

        Parameters
        ----------
        changed
            Returns the new devices for those in the file; None to leave it. A `DevicesError` says
            why the file can't be read or written.
        """
        with self._plain_errors(), self._locked():
            devices = changed(self.read())
            if devices is None:
                return
            text = json.dumps(_json_of(devices), indent=1)
            with replacing(self._path) as part:
                os.fchmod(part.file.fileno(), _ONLY_OWNER)
                part.file.write(text.encode())

    @contextmanager
    def _locked(self) -> Iterator[None]:
        lock = self._path.with_name(f"{self._path.name}.lock")
        descriptor = os.open(lock, os.O_CREAT | os.O_RDWR | os.O_CLOEXEC, _ONLY_OWNER)
        try:
            fcntl.flock(descriptor, fcntl.LOCK_EX)
            yield
        finally:
            os.close(descriptor)

    @contextmanager
    def _plain_errors(self) -> Iterator[None]:
        try:
            yield
        except OSError as error:
            raise DevicesError(
                f"{self._path}: the file of paired devices can't be used: {error.strerror}"
            ) from error
        except (ValueError, KeyError, TypeError, AttributeError) as error:
            raise DevicesError(
                f"{self._path}: this is no file of paired devices; delete it and pair again"
            ) from error


def _devices_of(document: dict[str, Any]) -> Devices:
    if document["v"] != _VERSION:
        raise ValueError(document["v"])
    return Devices(
        paired=tuple(
            Device(
                each["id"], each["name"], each["role"], each["token_sha256"],
                parse_instant(each["paired_at"]), parse_instant(each["seen_at"]),
                each.get("by", ""),
            )
            for each in document["devices"]
        ),
        offers=tuple(
            Offer(
                each["code_sha256"], each["role"], parse_instant(each["expires_at"]),
                each.get("by", ""),
            )
            for each in document["codes"]
        ),
    )  # fmt: skip


def _json_of(devices: Devices) -> dict[str, Any]:
    return {
        "v": _VERSION,
        "devices": [
            {
                "id": each.id,
                "name": each.name,
                "role": each.role,
                "token_sha256": each.token_hash,
                "paired_at": each.paired_at.isoformat(),
                "seen_at": each.seen_at.isoformat(),
                "by": each.by,
            }
            for each in devices.paired
        ],
        "codes": [
            {
                "code_sha256": each.code_hash,
                "role": each.role,
                "expires_at": each.expires_at.isoformat(),
                "by": each.by,
            }
            for each in devices.offers
        ],
    }
