"""Sign with a household's own Ed25519 key, check signatures, and write a key's fingerprint.

The only module that imports `cryptography`.
"""

from __future__ import annotations

from base64 import b32encode
from hashlib import sha256
from typing import TYPE_CHECKING, Final

from cryptography.exceptions import InvalidSignature
from cryptography.hazmat.primitives.asymmetric.ed25519 import (
    Ed25519PrivateKey,
    Ed25519PublicKey,
)
from cryptography.hazmat.primitives.serialization import (
    Encoding,
    NoEncryption,
    PrivateFormat,
    load_pem_private_key,
)

from adapters.sealing.key_files import read_or_make_key
from config.files.errors import SealError

if TYPE_CHECKING:
    from pathlib import Path

KIND: Final = "a household's signing key"
_GROUPS: Final = 5
_LETTERS: Final = 5


class Signer:
    """A household's signing key.

    Parameters
    ----------
    key : Ed25519PrivateKey
        The key.
    """

    def __init__(self, key: Ed25519PrivateKey) -> None:
        self._key = key

    @property
    def public(self) -> bytes:
        """The public key, 32 bytes."""
        return self._key.public_key().public_bytes_raw()

    def sign(self, message: bytes) -> bytes:
        """Return the signature of a message, 64 bytes (RFC 8032, section 5.1.6)."""
        return self._key.sign(message)


def key_beside(ledger: Path) -> Path:
    """Return where the signing key of a household is kept: beside its ledger."""
    return ledger.with_name(f"{ledger.name}.signing-key")


def signer_beside(ledger: Path) -> tuple[Signer, bool]:
    """Read the household's key beside its ledger, or make it on first use.

    Parameters
    ----------
    ledger : Path
        The ledger's file.

    Returns
    -------
    signer : Signer
        The key.
    is_new : bool
        Whether it was made now.

    Raises
    ------
    SealError
        If the file holds no such key.
    """
    path = key_beside(ledger)
    raw, is_new = read_or_make_key(path, KIND, _new_key)
    try:
        key = load_pem_private_key(raw, None)
    except (ValueError, TypeError) as error:
        raise SealError(f"{path}: expected {KIND}, got something else") from error
    if not isinstance(key, Ed25519PrivateKey):
        raise SealError(f"{path}: expected {KIND} (Ed25519), got another kind of key")
    return Signer(key), is_new


def _new_key() -> bytes:
    key = Ed25519PrivateKey.generate()
    return key.private_bytes(Encoding.PEM, PrivateFormat.PKCS8, NoEncryption())


def is_signed_by(public: bytes, signature: bytes, message: bytes) -> bool:
    """Tell whether a signature of a message is that of a public key."""
    try:
        Ed25519PublicKey.from_public_bytes(public).verify(signature, message)
    except (InvalidSignature, ValueError):
        return False
    return True


def fingerprint(public: bytes) -> str:
    """Write a public key's fingerprint for people to compare.

    Parameters
    ----------
    public : bytes
        The key.

    Returns
    -------
    str
        Five groups of five letters and digits: the first 125 bits of its SHA-256, in base 32.
    """
    text = b32encode(sha256(public).digest()).decode("ascii")
    return "-".join(text[at : at + _LETTERS] for at in range(0, _GROUPS * _LETTERS, _LETTERS))


def same_fingerprint(one: str, other: str) -> bool:
    """Compare fingerprints as people type them: without regard to case, spaces and hyphens."""
    return _bare(one) == _bare(other)


def _bare(text: str) -> str:
    return "".join(each for each in text.upper() if each.isalnum())
