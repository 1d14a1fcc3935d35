"""Decide what of a household is announced, and as what.

The types of service of MQTT and of web pages are from IANA's registry of service names, from
memory; OCPP has none there, as far as we know, so `_ocpp._tcp` is our own choice.
"""

from __future__ import annotations

import ipaddress
from typing import TYPE_CHECKING, Final

from adapters.contract.topics import Topics
from adapters.discovery.announcer import Announced

if TYPE_CHECKING:
    from collections.abc import Callable, Iterator, Sequence

    from config.doors.announce import Announce
    from config.household.household_file import HouseholdFile

_IN_THE_CLEAR: Final = {"page": "_http._tcp", "broker": "_mqtt._tcp", "ocpp": "_ocpp._tcp"}
_WITH_TLS: Final = {"page": "_https._tcp", "broker": "_secure-mqtt._tcp", "ocpp": "_ocpp._tcp"}


def announced(
    file: HouseholdFile, own: Sequence[str], is_here: Callable[[str], bool]
) -> tuple[Announced, ...]:
    """Return what is to be announced of a household.

    Parameters
    ----------
    file : HouseholdFile
        The household.
    own : sequence of str
        The addresses of this machine in private networks.
    is_here : callable
        Whether a host name or an address leads to this machine.

    Returns
    -------
    tuple of Announced
        A door is left out if this machine has none of the addresses at which it answers, and the
        broker if it is on another machine, which then has to announce it.
    """
    announce = file.announce
    if announce is None:
        return ()
    wanted = announce.addresses
    mine = [each for each in own if not wanted or each in wanted]
    return tuple(each for each in _doors(file, announce, mine, is_here) if each.addresses)


def _doors(
    file: HouseholdFile, announce: Announce, mine: list[str], is_here: Callable[[str], bool]
) -> Iterator[Announced]:
    name = announce.name_for(file.household.name)
    for service in announce.services:
        if service == "page" and file.page is not None:
            host, port, tls = file.page.host, file.page.port, file.page.has_tls
            says = {"path": "/"}
        elif service == "ocpp" and file.ocpp is not None:
            host, port, tls = file.ocpp.host, file.ocpp.port, file.ocpp.has_tls
            says = {"path": "/", "tls": "1" if tls else "0", "versions": "1.6,2.0.1,2.1"}
        elif service == "broker" and is_here(file.bus.host):
            # Where it listens only Mosquitto knows; the name by which it is reached says no more.
            host, port, tls = "0.0.0.0", file.bus.port, file.bus.tls  # noqa: S104 - not to bind
            says = {"topic": Topics.of_file(file).base}
        else:
            continue
        kind = (_WITH_TLS if tls else _IN_THE_CLEAR)[service]
        yield Announced(kind, name, announce.host, port, _answers_at(host, mine), says)


def _answers_at(host: str, mine: list[str]) -> tuple[str, ...]:
    """Return those of this machine's addresses at which a door answers that listens at a host."""
    try:
        address = ipaddress.ip_address(host)
    except ValueError:
        return tuple(mine)
    if not address.is_unspecified:
        return tuple(each for each in mine if ipaddress.ip_address(each) == address)
    return tuple(each for each in mine if ipaddress.ip_address(each).version == address.version)
