"""Certificates for tests: authorities, and the certificates they sign."""

from __future__ import annotations

import subprocess
from dataclasses import dataclass
from pathlib import Path

_KEY = ("-newkey", "ec", "-pkeyopt", "ec_paramgen_curve:prime256v1")


@dataclass(frozen=True)
class Signed:
    """A certificate and its key."""

    certificate: Path
    key: Path


class Authority:
    """Signs certificates; clients trust its own."""

    def __init__(self, directory: Path, name: str) -> None:
        directory.mkdir(parents=True, exist_ok=True)
        self._directory = directory
        self.certificate = directory / "ca.pem"
        self._key = directory / "ca-key.pem"
        _openssl(
            "req", "-x509", *_KEY, "-nodes", "-keyout", self._key, "-out", self.certificate,
            "-subj", f"/CN={name}", "-days", "2",
            "-addext", "keyUsage=critical,keyCertSign,cRLSign",
        )  # fmt: skip

    def sign(self, name: str, *, passphrase: str | None = None) -> Signed:
        """Make a key and a certificate for a common name, valid for 127.0.0.1 too."""
        made = Signed(self._directory / f"{name}.pem", self._directory / f"{name}-key.pem")
        request, extensions = self._directory / "request.pem", self._directory / "extensions"
        locked = ("-passout", f"pass:{passphrase}") if passphrase else ("-nodes",)
        _openssl(
            "req", "-new", *_KEY, *locked, "-keyout", made.key, "-out", request,
            "-subj", f"/CN={name}",
        )  # fmt: skip
        extensions.write_text("subjectAltName=IP:127.0.0.1\nbasicConstraints=critical,CA:FALSE\n")
        _openssl(
            "x509", "-req", "-in", request, "-CA", self.certificate, "-CAkey", self._key,
            "-CAcreateserial", "-days", "2", "-extfile", extensions, "-out", made.certificate,
        )  # fmt: skip
        made.key.chmod(0o600)
        return made


def _openssl(*arguments: str | Path) -> None:
    subprocess.run(["openssl", *map(str, arguments)], check=True, capture_output=True)
