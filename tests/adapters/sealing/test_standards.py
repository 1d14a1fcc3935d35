"""Signatures against RFC 8032, encryption against published vectors of age and another program."""

from __future__ import annotations

from hashlib import sha256
from pathlib import Path

import pytest
from cryptography.hazmat.primitives.asymmetric.ed25519 import Ed25519PrivateKey

from adapters.sealing.encrypting import adviser_key
from adapters.sealing.signing import Signer, fingerprint, is_signed_by
from config.files.errors import SealError

AGE = Path(__file__).parents[2] / "data" / "age"

# RFC 8032, section 7.1, TEST 2.
SEED = "4ccd089b28ff96da9db6c346ec114e0f5b8a319f35aba624da8cf6ed4fb8a6fb"
PUBLIC = "3d4017c3e843895a92b70aa74d1b7ebc9c982ccf2ec4968cc0cd55f12af4660c"
MESSAGE = "72"
SIGNATURE = (
    "92a009a9f0d4cab8720e820b5f642540a2b27b5416503f8fb3762223ebdb69da"
    "085ac1e43e15996e458f3613d0f11d8c387b2eaeb4302aeeb00d291612bb0c00"
)


def test_a_signature_is_that_of_rfc_8032() -> None:
    """Section 7.1, TEST 2: a message of one byte."""
    signer = Signer(Ed25519PrivateKey.from_private_bytes(bytes.fromhex(SEED)))
    assert signer.public.hex() == PUBLIC
    signature = signer.sign(bytes.fromhex(MESSAGE))
    assert signature.hex() == SIGNATURE
    assert is_signed_by(signer.public, signature, bytes.fromhex(MESSAGE))
    assert not is_signed_by(signer.public, signature, b"s")
    assert not is_signed_by(b"too short", signature, b"r")


def test_a_fingerprint_is_the_beginning_of_the_hash() -> None:
    """The SHA-256 of nothing (FIPS 180-2) begins with e3b0c442; base 32 is RFC 4648's."""
    assert fingerprint(b"") == "4OYMI-QUY7Q-OBJGX-36TEJ-S35ZE"


@pytest.mark.parametrize(
    "name", sorted(path.name for path in AGE.iterdir() if path.name not in {"SOURCE.txt", "typage"})
)
def test_an_age_file_is_read_as_its_vector_says(name: str, tmp_path: Path) -> None:
    """C2SP/CCTV: what is right decrypts to the given hash, and all else is refused."""
    header, _, sealed = (AGE / name).read_bytes().partition(b"\n\n")
    said = dict(line.split(": ", 1) for line in header.decode("ascii").splitlines())
    key_file = tmp_path / "adviser.key"
    key_file.write_text(said["identity"], "ascii")
    key_file.chmod(0o600)
    key = adviser_key(key_file)
    if said["expect"] == "success":
        assert sha256(key.decrypt(sealed, name)).hexdigest() == said["payload"]
        return
    with pytest.raises(SealError) as refused:
        key.decrypt(sealed, name)
    says_other_key = "another key" in str(refused.value)
    assert says_other_key == (said["expect"] == "no match")


def test_what_another_program_encrypted_is_read(tmp_path: Path) -> None:
    """`typage` is by age-encryption 0.3.1 for JavaScript."""
    header = (AGE / "x25519").read_bytes().partition(b"\n\n")[0].decode("ascii")
    key_file = tmp_path / "adviser.key"
    key_file.write_text(dict(each.split(": ") for each in header.splitlines())["identity"], "ascii")
    key_file.chmod(0o600)
    read = adviser_key(key_file).decrypt((AGE / "typage").read_bytes(), "typage")
    assert read == b"encrypted by another implementation"
