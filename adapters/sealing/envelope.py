"""Put a signed document into a file, and take it out again.

The file is a line that names the format and its version, a line with the public key, a line with
the signature (both base 64), and the document's bytes. The signature is over the first line and the
document. The whole is then encrypted, if it has recipients. Nothing is compressed: what comes out
is never larger than the file.
"""

from __future__ import annotations

import re
from base64 import b64decode, b64encode
from binascii import Error as Base64Error
from dataclasses import dataclass
from typing import TYPE_CHECKING, Final

from adapters.sealing.encrypting import AGE_HEADER, encrypt
from adapters.sealing.signing import fingerprint, is_signed_by
from config.files.errors import SealError

if TYPE_CHECKING:
    from collections.abc import Callable, Sequence

    from adapters.sealing.signing import Signer

VERSION: Final = 1
_FIRST_LINE: Final = f"lullwatt extract {VERSION}\n".encode("ascii")
_ANY_FIRST_LINE: Final = re.compile(rb"lullwatt extract ([0-9]{1,6})\n")
_LINES: Final = 3


@dataclass(frozen=True)
class Opened:
    """A document whose signature holds.

    Attributes
    ----------
    content : bytes
        The document.
    fingerprint : str
        That of the key that signed it.
    was_encrypted : bool
        Whether it came encrypted.
    """

    content: bytes
    fingerprint: str
    was_encrypted: bool


def seal(content: bytes, signer: Signer, recipients: Sequence[str]) -> bytes:
    """Sign a document, and encrypt it to its recipients, if it has any."""
    signature = signer.sign(_FIRST_LINE + content)
    lines = (b64encode(signer.public), b64encode(signature))
    signed = _FIRST_LINE + b"".join(line + b"\n" for line in lines) + content
    return encrypt(signed, recipients) if recipients else signed


def open_sealed(raw: bytes, decrypt: Callable[[bytes], bytes], name: str) -> Opened:
    """Decrypt a file, if it is encrypted, and check its signature.

    Parameters
    ----------
    raw : bytes
        The whole file.
    decrypt : callable
        Decrypts it.
    name : str
        The file's name, for messages.

    Returns
    -------
    Opened
        The document, and who signed it.

    Raises
    ------
    SealError
        If it is no extract, of a version that is not known, or does not bear a right signature.
    """
    was_encrypted = raw.startswith(AGE_HEADER)
    signed = decrypt(raw) if was_encrypted else raw
    first = _ANY_FIRST_LINE.match(signed)
    if first is None:
        raise SealError(f"{name}: expected an extract that `lullwatt share` wrote")
    if int(first[1]) != VERSION:
        raise SealError(
            f"{name}: it is an extract of version {int(first[1])}, and this Lullwatt reads version"
            f" {VERSION}; a newer Lullwatt can read it"
        )
    parts = signed.split(b"\n", _LINES)
    try:
        public, signature = (b64decode(each, validate=True) for each in parts[1:_LINES])
        content = parts[_LINES]
    except (ValueError, IndexError, Base64Error):
        public, signature, content = b"", b"", b""
    if not is_signed_by(public, signature, _FIRST_LINE + content):
        raise SealError(
            f"{name}: its signature does not hold: something in it was changed after the household"
            " signed it, or its end is missing; ask for the file again"
        )
    return Opened(content, fingerprint(public), was_encrypted)
