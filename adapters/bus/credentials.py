"""Read the password and the TLS settings for the connection to the broker.

Imports no MQTT library. Every file is read again for each connection, so that a changed password
or certificate needs no restart.
"""

from __future__ import annotations

import ssl
from pathlib import Path

from config.files.errors import Fault, FileError
from config.files.secret_files import credential_or_file, read_password, refuse_open_key
from config.files.texts import read_text, whole_file_fault
from config.household.household_file import Bus

_MOST_BYTES = 1024 * 1024


def password_of(bus: Bus) -> str | None:
    """Return the password, None without a file; `FileError` if the file is unusable."""
    return None if bus.password_file is None else read_password(bus.password_file)


def tls_context(bus: Bus) -> ssl.SSLContext:
    """Make the TLS settings for the household's broker.

    Parameters
    ----------
    bus
        A bus with a mqtts broker.

    Returns
    -------
    ssl.SSLContext
        Always checks the broker's certificate and host name: against `ca_file`, or without one
        against the authorities that this machine trusts.

    Raises
    ------
    FileError
        If a certificate or a key can't be used.
    """  # noqa: DOC502 - raised by the parts
    context = _trusting_context(bus.ca_file)
    if bus.client_certificate_file is not None and bus.client_key_file is not None:
        _load_certificate(context, bus.client_certificate_file, bus.client_key_file)
    return context


def check_credentials(bus: Bus) -> None:
    """Check that every file that the bus names can be used, without connecting.

    Raises
    ------
    FileError
        With all faults of these files.
    """
    faults: list[Fault] = []
    for load in (password_of, tls_context) if bus.tls else (password_of,):
        try:
            load(bus)
        except FileError as error:
            faults += error.faults
    if faults:
        raise FileError(faults)


def _trusting_context(ca_file: Path | None) -> ssl.SSLContext:
    if ca_file is None:
        return ssl.create_default_context()
    text = read_text(ca_file, "a file of certificates (PEM)", _MOST_BYTES)
    try:
        return ssl.create_default_context(cadata=text)
    except (ssl.SSLError, ValueError):
        message = "expected certificates (PEM), got something else"
        raise whole_file_fault(ca_file, message) from None


def _load_certificate(context: ssl.SSLContext, certificate: Path, key: Path) -> None:
    read_text(certificate, "a certificate (PEM)", _MOST_BYTES)
    key = credential_or_file(key)
    refuse_open_key(key)
    try:
        context.load_cert_chain(certificate, key, password=_no_passphrase)
    except _PassphraseNeeded:
        message = "expected a key without a passphrase: nobody is there to type one at night"
        raise whole_file_fault(key, message) from None
    except ssl.SSLError:
        message = f"expected the key (PEM) of the certificate in {certificate}, got something else"
        raise whole_file_fault(key, message) from None


class _PassphraseNeeded(Exception):  # noqa: N818 - the name says what it is
    """The key can't be read without a passphrase."""


def _no_passphrase() -> str:
    raise _PassphraseNeeded
