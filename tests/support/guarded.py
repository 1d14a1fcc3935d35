"""A household with a protected broker: deploy/mosquitto-home.conf with all its files."""

from __future__ import annotations

import re
import subprocess
from importlib.resources import files
from pathlib import Path

from adapters.wired.access_list import access_list, users
from config.household.household_file import HouseholdFile
from config.household.loading import load_household
from tests.support.brokers import Mosquitto
from tests.support.certificates import Authority
from tests.support.strangers import SignIn, Stranger

ROOT = Path(__file__).parents[2]
BASE = "lullwatt/kowhai-cottage"
SECRET = "planted-Kea9"  # noqa: S105 - planted, to be looked for
"""Part of every password."""


class GuardedHome:
    """The demo household with a second charge point; every user has its own password."""

    def __init__(self, directory: Path, *, certificates: bool = False) -> None:
        self.directory = directory
        self.authority = Authority(directory / "authority", "Authority of the house")
        self.household = directory / "house.yaml"
        self._by_certificate = certificates
        self._write_household("mqtts://127.0.0.1:1")
        self.broker = Mosquitto(directory / "broker", whole=self._configuration())
        self._write_household(f"mqtts://127.0.0.1:{self.broker.port}")

    @property
    def file(self) -> HouseholdFile:
        return load_household(self.household)

    def user(self, part: str) -> str:
        """Return the name of the user whose name ends with `part`."""
        [name] = [user.name for user in users(self.file) if user.name.endswith(part)]
        return name

    def sign_in(self, part: str) -> SignIn:
        """Return how this user signs in."""
        name, trusts = self.user(part), self.authority.certificate
        if self._by_certificate:
            return SignIn(trusts=trusts, shows=self.authority.sign(name))
        return SignIn(name, password_of(name), trusts)

    def as_user(self, part: str, client_id: str = "") -> Stranger:
        return Stranger(self.broker.port, self.sign_in(part), client_id)

    def _write_household(self, broker: str) -> None:
        text = files("config").joinpath("examples", "kowhai.yaml").read_text("utf-8")
        shed = "  shed: {charging_mode: 3, max_amps: 16, switching: on_off}\n"
        text = text.replace("charge_points:\n", f"charge_points:\n{shed}")
        text = text.replace(
            "broker: mqtt://127.0.0.1:1883 ",
            f"broker: {broker}\n  ca_file: authority/ca.pem\n{self._keys()}  #",
        )
        self.household.write_text(text, "utf-8")

    def _keys(self) -> str:
        if self._by_certificate:
            self.authority.sign("kowhai-cottage.daemon")
            return (
                "  client_certificate_file: authority/kowhai-cottage.daemon.pem\n"
                "  client_key_file: authority/kowhai-cottage.daemon-key.pem\n"
            )
        secret = self.directory / "password"
        secret.write_text(f"{password_of('kowhai-cottage.daemon')}\n")
        secret.chmod(0o600)
        return "  username: kowhai-cottage.daemon\n  password_file: password\n"

    def _configuration(self) -> str:
        text = (ROOT / "deploy" / "mosquitto-home.conf").read_text("utf-8")
        made = self.directory / "made"
        made.mkdir()
        if self._by_certificate:
            text = re.sub("^#(cafile|require|use_identity)", r"\1", text, flags=re.MULTILINE)
            text = re.sub("^password_file.*\n", "", text, flags=re.MULTILINE)
        self._fill(made)
        assert "listener 8883\n" in text
        return text.replace("listener 8883\n", "listener {port} 127.0.0.1\n").replace(
            "/etc/mosquitto/home/", f"{made}/"
        )

    def _fill(self, made: Path) -> None:
        broker = self.authority.sign("broker")
        (made / "ca.pem").write_bytes(self.authority.certificate.read_bytes())
        (made / "cert.pem").write_bytes(broker.certificate.read_bytes())
        (made / "key.pem").write_bytes(broker.key.read_bytes())
        (made / "access").write_text(access_list(self.file), "utf-8")
        passwords = made / "passwords"
        passwords.touch(0o600)
        for user in users(self.file):
            subprocess.run(
                ["mosquitto_passwd", "-b", str(passwords), user.name, password_of(user.name)],
                check=True,
            )


def password_of(user: str) -> str:
    return f"{SECRET}-{user}"
