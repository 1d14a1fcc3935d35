"""Announce services by multicast DNS and DNS-based service discovery: RFC 6762 and RFC 6763."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from typing import Final

import structlog
from zeroconf import Error
from zeroconf.asyncio import AsyncServiceInfo, AsyncZeroconf

_DOMAIN: Final = "local."

_log = structlog.get_logger(__name__)


@dataclass(frozen=True)
class Announced:
    """One service as others find it.

    Attributes
    ----------
    kind : str
        Its type of service, such as ``"_http._tcp"``.
    name : str
        Under which lists show it: 63 bytes at most, without dots.
    host : str
        The name of this machine, with its domain: ``"home.local"``.
    port : int
        TCP port.
    addresses : tuple of str
        Those of this machine at which it answers.
    properties : mapping of str to str
        What its TXT record says.
    """

    kind: str
    name: str
    host: str
    port: int
    addresses: tuple[str, ...]
    properties: Mapping[str, str] = field(default_factory=dict)


class Announcer:
    """Announces services until it is closed; what is no longer announced is withdrawn."""

    def __init__(self) -> None:
        self._told: tuple[Announced, ...] = ()
        self._zeroconf: AsyncZeroconf | None = None

    async def tell(self, services: tuple[Announced, ...]) -> bool:
        """Announce these services and no others; do nothing if they are announced already.

        Parameters
        ----------
        services : tuple of Announced
            What others are to find; each is heard of in the networks of its addresses.

        Returns
        -------
        bool
            Whether they are announced; if not, the log says why, and the next call tries again.
        """
        if services == self._told:
            return True
        await self.close()
        if not services:
            return True
        try:
            await self._announce(services)
        except (OSError, Error) as error:
            _log.warning("nothing could be announced", why=str(error) or type(error).__name__)
            await self.close()
            return False
        self._told = services
        return True

    async def _announce(self, services: tuple[Announced, ...]) -> None:
        networks = sorted({address for each in services for address in each.addresses})
        self._zeroconf = AsyncZeroconf(interfaces=networks)
        for each in services:
            kind = f"{each.kind}.{_DOMAIN}"
            info = AsyncServiceInfo(
                kind,
                f"{each.name}.{kind}",
                port=each.port,
                properties=dict(each.properties),
                server=f"{each.host}.",
                parsed_addresses=list(each.addresses),
            )
            # Another machine may have taken the name; then this one gets a number behind it.
            await (await self._zeroconf.async_register_service(info, allow_name_change=True))
            _log.info(
                "announced",
                service=info.name.removesuffix(f".{kind}"),
                kind=each.kind,
                at=f"{each.host}:{each.port}",
                addresses=list(each.addresses),
            )

    async def close(self) -> None:
        """Withdraw what is announced."""
        zeroconf, self._zeroconf, self._told = self._zeroconf, None, ()
        if zeroconf is not None:
            await zeroconf.async_close()
