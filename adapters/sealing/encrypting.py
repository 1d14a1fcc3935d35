"""Encrypt to an adviser's key and decrypt with it, in the age format (age-encryption.org/v1).

The only module that imports `pyrage`.
"""

from __future__ import annotations

from typing import TYPE_CHECKING, Final

import pyrage

from adapters.sealing.key_files import read_key, read_or_make_key
from config.files.errors import SealError

if TYPE_CHECKING:
    from collections.abc import Sequence
    from pathlib import Path

AGE_HEADER: Final = b"age-encryption.org/v1\n"
KIND: Final = "an adviser's key"
_NO_MATCH: Final = "No matching keys found"


class AdviserKey:
    """An adviser's key, with which extracts are decrypted.

    Parameters
    ----------
    identity : object
        Its secret half.
    """

    def __init__(self, identity: pyrage.x25519.Identity) -> None:
        self._identity = identity

    @property
    def recipient(self) -> str:
        """The public half, which households encrypt to; begins with ``age1``."""
        return str(self._identity.to_public())

    def decrypt(self, sealed: bytes, name: str) -> bytes:
        """Decrypt what was encrypted to this key.

        Parameters
        ----------
        sealed : bytes
            A whole age file.
        name : str
            The file's name, for messages.

        Returns
        -------
        bytes
            The content, never longer than what was given.

        Raises
        ------
        SealError
            If it was encrypted to another key, or is damaged.
        """
        try:
            return bytes(pyrage.decrypt(sealed, [self._identity]))
        except pyrage.DecryptError as error:
            if str(error) == _NO_MATCH:
                raise SealError(
                    f"{name}: it is encrypted to another key than yours; send the household your"
                    f" recipient again, {self.recipient}, and ask for a new extract"
                ) from error
            raise SealError(
                f"{name}: it is damaged: a byte was changed, or its end is missing;"
                " ask for the file again"
            ) from error


def adviser_key(path: Path) -> AdviserKey:
    """Read an adviser's key."""
    return _key_of(read_key(path, KIND), path)


def read_or_make_adviser_key(path: Path) -> tuple[AdviserKey, bool]:
    """Read an adviser's key, or make it; and tell whether it was made now."""
    raw, is_new = read_or_make_key(path, KIND, _new_key)
    return _key_of(raw, path), is_new


def _new_key() -> bytes:
    return f"{pyrage.x25519.Identity.generate()}\n".encode("ascii")


def _key_of(raw: bytes, path: Path) -> AdviserKey:
    try:
        return AdviserKey(pyrage.x25519.Identity.from_str(raw.decode("ascii").strip()))
    except (UnicodeDecodeError, pyrage.IdentityError) as error:
        raise SealError(f"{path}: expected {KIND}, got something else") from error


def check_recipient(text: str, option: str) -> None:
    """Raise a `SealError` that names an option, unless a text is an adviser's recipient."""
    try:
        _recipient(text)
    except SealError as error:
        raise SealError(f"{option}: {error}") from error


def encrypt(content: bytes, recipients: Sequence[str]) -> bytes:
    """Encrypt to some recipients, each of whom can decrypt it alone."""
    return bytes(pyrage.encrypt(content, [_recipient(each) for each in recipients]))


def _recipient(text: str) -> pyrage.x25519.Recipient:
    try:
        return pyrage.x25519.Recipient.from_str(text)
    except pyrage.RecipientError as error:
        raise SealError(
            "expected an adviser's recipient, 62 characters that begin with age1, as `lullwatt desk"
            f" start` prints it, got {text!r}"
        ) from error
