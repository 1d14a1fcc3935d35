"""The devices that may use the page, and the one-time codes that let another one in. Pure.

Neither codes nor tokens are kept, only their SHA-256 hashes. That is enough, because both are
random: a token has 256 bits, and a code has 60 bits for the ten minutes in which it is good.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from datetime import datetime, timedelta
from hashlib import sha256
from hmac import compare_digest
from typing import TYPE_CHECKING, Final, Literal

from config.files.errors import LullwattError

if TYPE_CHECKING:
    from collections.abc import Callable

Role = Literal["look", "ask"]
"""What a device may do: look at the page, or also ask for something."""

CODE_ALPHABET: Final = "23456789ABCDEFGHJKLMNPQRSTUVWXYZ"
"""32 characters; none of them is easily taken for another one that is in it."""

CODE_LENGTH: Final = 12
CODE_GROUP: Final = 4
GOOD_FOR: Final = timedelta(minutes=10)
MOST_DEVICES: Final = 50
MOST_OFFERS: Final = 10
NAME_LENGTH: Final = 40
SEEN_EVERY: Final = timedelta(hours=1)
"""How exactly it is remembered when a device was last there."""


class TooManyDevices(LullwattError):  # noqa: N818 - the name says what it is
    """Another device can't be paired before one is removed."""

    def __init__(self) -> None:
        super().__init__(
            f"{MOST_DEVICES} devices are paired, and there may be no more: remove one first"
        )


@dataclass(frozen=True, slots=True)
class Offer:
    """A one-time code, and what the device that has it will be allowed to do.

    `by` is the id of the device that made it; empty if that was done on the command line.
    """

    code_hash: str
    role: Role
    expires_at: datetime
    by: str = ""


@dataclass(frozen=True, slots=True)
class Device:
    """A device that was paired; `by` is the id of the device that let it in, if one did."""

    id: str
    name: str
    role: Role
    token_hash: str
    paired_at: datetime
    seen_at: datetime
    by: str = ""


@dataclass(frozen=True, slots=True)
class Devices:
    """All paired devices, and the codes that are still good."""

    paired: tuple[Device, ...] = ()
    offers: tuple[Offer, ...] = ()

    def of_token(self, token: str) -> Device | None:
        """Return the device that has a token; None if no device has it."""
        given = hash_of(token)
        return next((each for each in self.paired if compare_digest(each.token_hash, given)), None)

    @property
    def are_full(self) -> bool:
        """Whether there are as many as there may be; one must be removed before another comes."""
        return len(self.paired) >= MOST_DEVICES

    def with_offer(self, code: str, role: Role, now: datetime, by: str = "") -> Devices:
        """Return them with one more code; the oldest goes if there are too many."""
        # A device that makes a code has no other one: the one before is void.
        good = [each for each in self.offers if each.expires_at > now]
        kept = [each for each in good if not by or each.by != by][1 - MOST_OFFERS :]
        return replace(self, offers=(*kept, Offer(hash_of(code), role, now + GOOD_FOR, by)))

    def pair(
        self, code: str, name: str, now: datetime, *, token: str, new_id: str
    ) -> tuple[Devices, Device] | None:
        """Let a device in that has a code.

        Parameters
        ----------
        code
            As a person types it: spaces, hyphens and small letters do no harm.
        name
            What the device is to be called.
        now
            UTC.
        token
            The new device's secret.
        new_id
            What the device is known by.

        Returns
        -------
        tuple or None
            The devices with this one and without the code, and the device. None if the code is
            not good.

        Raises
        ------
        TooManyDevices
            If the code is good, but there are as many devices as there may be.
        """
        given = hash_of(read_code(code))
        offer = next((each for each in self.offers if compare_digest(each.code_hash, given)), None)
        if offer is None or offer.expires_at <= now:
            return None
        if self.are_full:
            raise TooManyDevices
        name = " ".join(name.split())[:NAME_LENGTH]
        device = Device(new_id, name, offer.role, hash_of(token), now, now, offer.by)
        offers = tuple(each for each in self.offers if each is not offer)
        return Devices((*self.paired, device), offers), device

    def without(self, device_id: str) -> Devices:
        """Return them without one device, and without the code that it made."""
        paired = tuple(each for each in self.paired if each.id != device_id)
        return Devices(paired, tuple(each for each in self.offers if each.by != device_id))

    def seen(self, device: Device, now: datetime) -> Devices | None:
        """Return them with the time at which a device was last there; None if that is known."""
        if now - device.seen_at < SEEN_EVERY:
            return None
        paired = (replace(each, seen_at=now) if each is device else each for each in self.paired)
        return replace(self, paired=tuple(paired))


def hash_of(secret: str) -> str:
    """Return what is kept of a code or token."""
    return sha256(secret.encode()).hexdigest()


def new_code(choose: Callable[[str], str]) -> str:
    """Make a code; `choose` draws one of the characters of a text at random."""
    return "".join(choose(CODE_ALPHABET) for _ in range(CODE_LENGTH))


def code_words(code: str) -> str:
    """Write a code for people, in groups."""
    groups = range(0, len(code), CODE_GROUP)
    return "-".join(code[start : start + CODE_GROUP] for start in groups)


def read_code(text: str) -> str:
    """Read a code as a person types it."""
    return "".join(text.upper().replace("-", " ").split())[: 2 * CODE_LENGTH]
