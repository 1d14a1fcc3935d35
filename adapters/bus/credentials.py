"""Read the password and the TLS settings for the connection to the broker.

Imports no MQTT library. Every file is read again for each connection, so that a changed password
or certificate needs no restart.
"""

from __future__ import annotations

import ssl
from hashlib import scrypt
from pathlib import Path

from adapters.host.trust import MOST_BYTES, trusting_context
from config.files.errors import Fault, FileError
from config.files.secret_files import credential_or_file, read_password, refuse_open_key
from config.files.texts import read_text, whole_file_fault
from config.household.household_file import Bus

_SCRYPT_N = 4096
"""Client ids stand in a broker's log: a password must not be found from one (4 MB, some 10 ms)."""


def password_of(bus: Bus) -> str | None:
    """Return the password, None without a file; `FileError` if the file is unusable."""
    return None if bus.password_file is None else read_password(bus.password_file)


def client_id_of(bus: Bus, name: str) -> str:
    """Return a client id that nobody else of the broker's users can know.

    Whoever connects with a client id ends the connection that has it (MQTT 5, section 3.1.4), so
    one that can be guessed would let any device of the home throw the daemon out.

    Parameters
    ----------
    bus
        The household's bus.
    name
        What the client id begins with.

    Returns
    -------
    str
        The name with 16 hex digits made from the daemon's password or key; the name alone if it
        signs in with neither, or if their file can't be used.
    """
    try:
        secret = password_of(bus)
        if secret is None and bus.client_key_file is not None:
            secret = read_text(bus.client_key_file, "a key (PEM)", MOST_BYTES)
    except FileError:
        secret = None  # connecting will say what is wrong
    if not secret:
        return name
    digest = scrypt(secret.encode(), salt=name.encode(), n=_SCRYPT_N, r=8, p=1, dklen=8)
    return f"{name}-{digest.hex()}"


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
    context = trusting_context(bus.ca_file)
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


def _load_certificate(context: ssl.SSLContext, certificate: Path, key: Path) -> None:
    read_text(certificate, "a certificate (PEM)", MOST_BYTES)
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
