"""Make the access list for Mosquitto: which topics each user may publish and read.

The file has a line for each user, and below it a line for each topic. A user who is not in the file
may do nothing, and each user may do only what their part needs.
"""

from __future__ import annotations

import shlex
from collections.abc import Iterable, Iterator
from dataclasses import dataclass
from typing import Final, Literal

from adapters.contract.topics import Topics
from adapters.wired.grid_meter import grid_meter_topics
from adapters.wired.hardware import wiring_topics
from adapters.wired.load_meter import load_meter_topics
from config.fields.names import topic_level
from config.files.errors import UsageError
from config.household.household_file import ChargePoint, HouseholdFile

PAGE: Final = "the household's page"
"""The part of the page's own user, in words; install.sh looks for it."""

Right = tuple[Literal["read", "write", "readwrite"], str]


@dataclass(frozen=True)
class User:
    """A user who signs in to the broker.

    Attributes
    ----------
    name : str
        The name they sign in with.
    part : str
        What they are, in words.
    rights : tuple of Right
        What they may do.
    """

    name: str
    part: str
    rights: tuple[Right, ...]


def access_list(file: HouseholdFile) -> str:
    """Return the text of the access list of a household.

    Parameters
    ----------
    file
        The household.

    Returns
    -------
    str
        The same text each time for the same household.

    Raises
    ------
    UsageError
        If a topic of wired hardware also covers the daemon's topics, or can't be written in such a
        file.
    """  # noqa: DOC502 - raised by users
    everybody = users(file)
    return "\n".join([*_head(file, everybody), *(_block(user) for user in everybody)])


def users(file: HouseholdFile) -> tuple[User, ...]:
    """List the users of the household's broker, the daemon first.

    Parameters
    ----------
    file
        The household.

    Returns
    -------
    tuple of User
        The daemon and the page have the names that the file gives them. Equipment that speaks OCPP
        is no user.
    """
    topics = Topics.of_file(file)
    home = file.household.topic_level
    of_people: tuple[Right, ...] = (
        ("read", f"{topics.base}/#"),
        *(("write", topics.request(name)) for name in file.charge_points),
    )
    points = {n: point for n, point in file.charge_points.items() if point.ocpp is None}
    meter = _meter_rights(file, "load_meter")
    grid = _meter_rights(file, "grid_meter")
    wired = tuple(right for name, point in points.items() for right in _wired_rights(name, point))
    everybody = (
        User(
            file.bus.username or f"{home}.daemon",
            "the daemon",
            (
                ("readwrite", f"{topics.base}/#"),
                *dict.fromkeys(map(_reversed, (*wired, *meter, *grid, *_contact_rights(file)))),
            ),
        ),
        *(
            User(
                f"{home}.point.{topic_level(name)}",
                f"the hardware at {name}",
                _of_hardware(topics, name, point),
            )
            for name, point in points.items()
        ),
        User(f"{home}.people", "people and their screens", of_people),
        User(
            f"{home}.prices",
            "a price feed",
            (("write", topics.prices), ("write", topics.announcements)),
        ),
        User(f"{home}.load", "a meter of the home's own load", meter or (("write", topics.load),)),
        *_users_of_roofs(file, topics),
        *_users_of_carbon(file, topics),
        *_users_of_limits(file, topics),
        User(f"{home}.grid", "a meter at the grid", grid or (("write", topics.grid),)),
    )
    page = file.page.username if file.page else None
    if page is None or page in {user.name for user in everybody}:
        return everybody
    return (*everybody, User(page, PAGE, of_people))


def _users_of_roofs(file: HouseholdFile, topics: Topics) -> Iterator[User]:
    if file.generation is not None:
        home = file.household.topic_level
        forecast, generation = topics.forecast, topics.generation
        yield User(f"{home}.forecast", "a feed of forecasts", (("write", forecast),))
        yield User(f"{home}.generation", "a meter of the roofs", (("write", generation),))


def _users_of_carbon(file: HouseholdFile, topics: Topics) -> Iterator[User]:
    if file.carbon is not None:
        name = f"{file.household.topic_level}.carbon"
        yield User(name, "a feed of carbon intensities", (("write", topics.carbon),))


def _users_of_limits(file: HouseholdFile, topics: Topics) -> Iterator[User]:
    if "grid_limit" in file.household.model_fields_set:
        rights = _contact_rights(file) or (("write", topics.grid_limit),)
        yield User(f"{file.household.topic_level}.grid-limit", "the grid operator's device", rights)


def _contact_rights(file: HouseholdFile) -> tuple[Right, ...]:
    contact = file.household.grid_limit.contact
    rights: tuple[Right, ...] = () if contact is None else (("write", contact.topic),)
    place = "household: grid_limit: contact"
    _refuse_blanks(place, tuple(topic for _, topic in rights))
    _refuse_own(Topics.of_file(file), place, rights)
    return rights


def _meter_rights(
    file: HouseholdFile, key: Literal["load_meter", "grid_meter"]
) -> tuple[Right, ...]:
    """Return the rights of a wired meter of the home on its own topics."""
    home = file.household
    names: tuple[str, ...] = ()
    if key == "load_meter" and home.load_meter is not None:
        names = load_meter_topics(home.load_meter)
    elif key == "grid_meter" and home.grid_meter is not None:
        names = grid_meter_topics(home.grid_meter)
    _refuse_blanks(f"household: {key}", names)
    rights: tuple[Right, ...] = tuple(("write", topic) for topic in names)
    _refuse_own(Topics.of_file(file), f"household: {key}", rights)
    return rights


def _refuse_own(topics: Topics, place: str, rights: Iterable[Right]) -> None:
    for _, wanted in rights:
        if overlap(wanted, f"{topics.base}/#"):
            raise UsageError(
                f"{place}: the topic {wanted} also covers the daemon's own"
                f" below {topics.base}, which hardware must be kept out of; expected one that"
                " does not"
            )


def _refuse_blanks(place: str, names: Iterable[str]) -> None:
    for topic in names:
        if topic != topic.strip():
            raise UsageError(
                f"{place}: the topic {topic!r} begins or ends with a blank,"
                " which an access list can't express"
            )


def _of_hardware(topics: Topics, name: str, point: ChargePoint) -> tuple[Right, ...]:
    """Return a charge point's rights; its wiring replaces the daemon's own topics."""
    foreign = _wired_rights(name, point)
    _refuse_own(topics, f"charge_points: {name}: wiring", foreign)
    wiring = point.wiring
    rights = list(foreign)
    if wiring is None or wiring.tell is None:
        rights.append(("read", topics.command(name)))
    if wiring is None or wiring.hear is None:
        rights += [("write", topics.reading(name)), ("write", topics.vehicle(name))]
        rights.append(("read", topics.daemon))  # hardware reports to a daemon that comes online
    return tuple(rights)


def _wired_rights(name: str, point: ChargePoint) -> tuple[Right, ...]:
    """Return the rights of wired hardware on its own topics."""
    wiring = point.wiring
    if wiring is None:
        return ()
    messages = wiring.tell.messages if wiring.tell else ()
    questions = wiring.hear.ask if wiring.hear else ()
    reads = dict.fromkeys(message.topic for message in (*messages, *questions))
    writes = wiring_topics(wiring)
    _refuse_blanks(f"charge_points: {name}: wiring", (*reads, *writes))
    return (
        *(("read", topic) for topic in reads),
        *(("write", topic) for topic in writes),
    )


def _reversed(right: Right) -> Right:
    """Return the daemon's right: it writes what hardware reads, and the reverse."""
    access, topic = right
    return ("write" if access == "read" else "read"), topic


def overlap(one: str, other: str) -> bool:
    """Return whether some topic matches both of two (valid) filters."""
    ours, theirs = one.split("/"), other.split("/")
    for mine, yours in zip(ours, theirs, strict=False):
        if "#" in {mine, yours}:
            return True
        if mine != yours and "+" not in {mine, yours}:
            return False
    longer = max(ours, theirs, key=len)[min(len(ours), len(theirs)) :]
    return longer[:1] in ([], ["#"])  # a # matches its parent level too


def _head(file: HouseholdFile, everybody: tuple[User, ...]) -> Iterator[str]:
    yield f"# Access list for Mosquitto: who may publish and read what at {file.household.name}."
    yield "# Made by `lullwatt schema acl`; make it again when you add or remove a charge point. A"
    yield "# user who is not in this list may do nothing."
    yield "#"
    yield "# The list neither checks who a user is nor encrypts anything: the broker also needs"
    yield "# TLS, and passwords or client certificates. Mosquitto's own tool asks for the passwords"
    yield "# and stores them. Give each device a password that is used nowhere else:"
    yield "#"
    for index, user in enumerate(everybody):
        option = "-c " if index == 0 else ""  # creates the file, or empties an existing one
        yield f"#   mosquitto_passwd {option}passwords {shlex.quote(user.name)}"
    yield "#"
    yield "# Leave out the users you do not have. With client certificates"
    yield "# (use_identity_as_username) the user is the common name of the certificate."
    yield ""


def _block(user: User) -> str:
    rights = "".join(f"topic {access} {topic}\n" for access, topic in user.rights)
    return f"# {user.part[0].upper()}{user.part[1:]}.\nuser {user.name}\n{rights}"
