"""An access list for Mosquitto, made for one household: who may say and hear what on its bus.

Mosquitto's file has a line for each user and one for each topic or filter; whoever it does not
name may do nothing. Nobody is let do more than their part needs.
"""

from __future__ import annotations

import shlex
from collections.abc import Iterator
from dataclasses import dataclass
from typing import Literal

from adapters.contract.topics import Topics, slug
from adapters.wired.values import topic_filters
from config.files.errors import UsageError
from config.household.household_file import ChargePoint, HouseholdFile

Right = tuple[Literal["read", "write", "readwrite"], str]


@dataclass(frozen=True)
class User:
    """Somebody who signs in, what they are, and what they may do."""

    name: str
    part: str
    rights: tuple[Right, ...]


def access_list(file: HouseholdFile) -> str:
    """Write the access list of a household.

    Parameters
    ----------
    file
        The household.

    Returns
    -------
    str
        The text of the file, the same for the same household.

    Raises
    ------
    UsageError
        If hardware with topics of its own could not be kept out of the daemon's topics, or a topic
        can't stand in such a file.
    """  # noqa: DOC502 - raised by users
    everybody = users(file)
    return "\n".join([*_head(file, everybody), *(_block(user) for user in everybody)])


def users(file: HouseholdFile) -> tuple[User, ...]:
    """List who signs in to the household's broker, the daemon first.

    Parameters
    ----------
    file
        The household.

    Returns
    -------
    tuple of User
        The daemon by the name that the file gives it; nobody for equipment that speaks OCPP.
    """
    topics = Topics(file.bus.root, file.household.name)
    home = slug(file.household.name)
    points = {n: point for n, point in file.charge_points.items() if point.ocpp is None}
    wired = tuple(right for name, point in points.items() for right in _foreign(name, point))
    return (
        User(
            file.bus.username or f"{home}.daemon",
            "the daemon",
            (("readwrite", f"{topics.base}/#"), *dict.fromkeys(map(_turned, wired))),
        ),
        *(
            User(
                f"{home}.point.{slug(name)}",
                f"the hardware at {name}",
                _of_hardware(topics, name, point),
            )
            for name, point in points.items()
        ),
        User(
            f"{home}.people",
            "people and their screens",
            (
                ("read", f"{topics.base}/#"),
                *(("write", topics.request(name)) for name in file.charge_points),
            ),
        ),
        User(f"{home}.prices", "a price feed", (("write", topics.prices),)),
        User(f"{home}.load", "a meter of the home's own load", (("write", topics.load),)),
    )


def _of_hardware(topics: Topics, name: str, point: ChargePoint) -> tuple[Right, ...]:
    """Each half of the wiring stands in place of the daemon's own topics."""
    foreign = _foreign(name, point)
    for _, wanted in foreign:
        if may_meet(wanted, f"{topics.base}/#"):
            raise UsageError(
                f"charge_points: {name}: wiring: the topic {wanted} also covers the daemon's own"
                f" below {topics.base}, which hardware must be kept out of; expected one that"
                " does not"
            )
    wiring = point.wiring
    rights = list(foreign)
    if wiring is None or wiring.tell is None:
        rights.append(("read", topics.command(name)))
    if wiring is None or wiring.hear is None:
        rights += [("write", topics.reading(name)), ("write", topics.vehicle(name))]
    return tuple(rights)


def _foreign(name: str, point: ChargePoint) -> tuple[Right, ...]:
    """List what hardware with topics of its own hears and says."""
    wiring = point.wiring
    if wiring is None:
        return ()
    told = [wiring.tell.start, wiring.tell.stop, wiring.tell.current] if wiring.tell else []
    heard_by_it = dict.fromkeys(saying.topic for saying in told if saying is not None)
    said_by_it = topic_filters(wiring.hear) if wiring.hear else ()
    for topic in (*heard_by_it, *said_by_it):
        if topic != topic.strip():
            raise UsageError(
                f"charge_points: {name}: wiring: the topic {topic!r} begins or ends with a blank,"
                " which an access list can't say"
            )
    return (
        *(("read", topic) for topic in heard_by_it),
        *(("write", topic) for topic in said_by_it),
    )


def _turned(right: Right) -> Right:
    """Turn a right round: what hardware reads the daemon writes, and the other way."""
    access, topic = right
    return ("write" if access == "read" else "read"), topic


def may_meet(one: str, other: str) -> bool:
    """Say whether some topic is covered by both of two (valid) filters."""
    ours, theirs = one.split("/"), other.split("/")
    for mine, yours in zip(ours, theirs, strict=False):
        if "#" in {mine, yours}:
            return True
        if mine != yours and "+" not in {mine, yours}:
            return False
    longer = max(ours, theirs, key=len)[min(len(ours), len(theirs)) :]
    return longer[:1] in ([], ["#"])  # a # covers its parent level too


def _head(file: HouseholdFile, everybody: tuple[User, ...]) -> Iterator[str]:
    yield f"# Access list for Mosquitto: who may say and hear what at {file.household.name}."
    yield "# Made by `lullwatt schema acl`; make it again when charge points come or go. Whoever"
    yield "# does not stand here may do nothing."
    yield "#"
    yield "# It does not say who is who, and hides nothing on the way: the broker needs TLS, and"
    yield "# passwords or client certificates, beside it. Passwords are asked for and kept by"
    yield "# Mosquitto's own tool, each for one device and nothing else:"
    yield "#"
    for index, user in enumerate(everybody):
        option = "-c " if index == 0 else ""  # which makes the file, and empties one that is there
        yield f"#   mosquitto_passwd {option}passwords {shlex.quote(user.name)}"
    yield "#"
    yield "# Leave out whom you do not have. With client certificates (use_identity_as_username)"
    yield "# the common name of the certificate is the user."
    yield ""


def _block(user: User) -> str:
    rights = "".join(f"topic {access} {topic}\n" for access, topic in user.rights)
    return f"# {user.part[0].upper()}{user.part[1:]}.\nuser {user.name}\n{rights}"
