"""A server's certificate and key: a renewed one is used from the next connection on."""

from __future__ import annotations

import ssl
from typing import TYPE_CHECKING

import structlog

from config.files.errors import LullwattError
from config.files.secret_files import credential_or_file, refuse_open_key
from config.files.texts import stamp_of

if TYPE_CHECKING:
    from pathlib import Path

    from config.files.texts import Stamp

    Stamps = tuple[Stamp | None, ...]

_log = structlog.get_logger(__name__)


class CertificateError(LullwattError):
    """Certificate and key can't be used."""


def context_of(certificate: Path, key: Path) -> ssl.SSLContext:
    """Return the TLS settings of a server.

    Parameters
    ----------
    certificate, key
        Their files.

    Returns
    -------
    SSLContext
        For each new connection it looks whether the files have changed. Changed ones that can't be
        used are logged, and the former ones stay in use.

    Raises
    ------
    CertificateError
        If they can't be used; a `FileError` if others may read the key.
    """  # noqa: DOC502 - raised by the parts
    return _WatchedFiles(certificate, key).context


class _WatchedFiles:
    def __init__(self, certificate: Path, key: Path) -> None:
        self._certificate = certificate
        self._key = key
        self._stamp = self._stamp_now()
        self.context = self._latest = self._read()
        self.context.sni_callback = self._choose  # called for a client that sends no name, too

    def _choose(self, connection: ssl.SSLObject, _name: str | None, _: ssl.SSLContext) -> None:
        stamp = self._stamp_now()
        if stamp != self._stamp:
            self._stamp = stamp
            try:
                self._latest = self._read()
            except LullwattError as error:
                _log.warning("the renewed certificate is not used", why=str(error))
            else:
                _log.info("a renewed certificate is used", file=str(self._certificate))
        connection.context = self._latest

    def _read(self) -> ssl.SSLContext:
        key = credential_or_file(self._key)
        refuse_open_key(key)
        context = ssl.create_default_context(ssl.Purpose.CLIENT_AUTH)
        context.minimum_version = ssl.TLSVersion.TLSv1_2
        try:
            context.load_cert_chain(self._certificate, key)
        except (OSError, ssl.SSLError) as error:
            raise CertificateError(
                f"{self._certificate}: certificate and key can't be used, or do not belong together"
            ) from error
        return context

    def _stamp_now(self) -> Stamps:
        return stamp_of(self._certificate), stamp_of(credential_or_file(self._key))
