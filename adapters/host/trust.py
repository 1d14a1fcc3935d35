"""TLS settings of a client, which always verify the server's certificate and name."""

from __future__ import annotations

import ssl
from typing import TYPE_CHECKING

from config.files.texts import read_text, whole_file_fault

if TYPE_CHECKING:
    from pathlib import Path

MOST_BYTES = 1024 * 1024


def trusting_context(ca_file: Path | None) -> ssl.SSLContext:
    """Make the TLS settings of a client.

    Parameters
    ----------
    ca_file
        Certificates (PEM) of the authorities to trust; None for those that this machine trusts.

    Returns
    -------
    ssl.SSLContext
        Checks the server's certificate and host name.

    Raises
    ------
    FileError
        If the file holds no certificates.
    """  # noqa: DOC501, DOC502 - whole_file_fault makes it
    if ca_file is None:
        return ssl.create_default_context()
    text = read_text(ca_file, "a file of certificates (PEM)", MOST_BYTES)
    try:
        return ssl.create_default_context(cadata=text)
    except (ssl.SSLError, ValueError):
        message = "expected certificates (PEM), got something else"
        raise whole_file_fault(ca_file, message) from None
