"""Find the addresses of this machine in networks of a home."""

from __future__ import annotations

import ipaddress
import socket

import ifaddr


def own_addresses() -> tuple[str, ...]:
    """Return the addresses of this machine that belong to private networks, sorted."""
    return tuple(sorted(each for each in _all_own() if _belongs_to_a_home(each)))


def is_of_this_machine(host: str) -> bool:
    """Tell whether a name or an address leads to this machine.

    Parameters
    ----------
    host : str
        A host name or an IP address.

    Returns
    -------
    bool
        Also false if the name can't be resolved.
    """
    try:
        found = {str(each[4][0]) for each in socket.getaddrinfo(host, None)}
    except OSError:
        return False
    return any(ipaddress.ip_address(each).is_loopback for each in found) or bool(
        found & set(_all_own())
    )


def _all_own() -> set[str]:
    """List the addresses of all interfaces; an interface without a network has none."""
    return {
        each.ip if isinstance(each.ip, str) else each.ip[0]
        for adapter in ifaddr.get_adapters()
        for each in adapter.ips
    }


def _belongs_to_a_home(text: str) -> bool:
    address = ipaddress.ip_address(text)
    # One that holds on one link only leads nowhere without the number of an interface.
    return address.is_private and not (address.is_loopback or address.is_link_local)
