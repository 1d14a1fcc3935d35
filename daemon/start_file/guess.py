"""Guess where a home is from its machine's time zone, for default answers."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

from config.fields.countries import country_of_zone, currency_of_country
from config.fields.zones import known_zones

if TYPE_CHECKING:
    from collections.abc import Mapping
    from pathlib import Path

_ZONES_OF_THE_MACHINE = "zoneinfo/"
_VARIANTS = ("posix/", "right/")


@dataclass(frozen=True)
class Guess:
    """Where the home may be.

    Attributes
    ----------
    timezone, country, currency : str or None
        IANA name, ISO 3166-1 code, ISO 4217 code; None for what can't be guessed.
    """

    timezone: str | None = None
    country: str | None = None
    currency: str | None = None


def guess_home(environment: Mapping[str, str], local_time: Path) -> Guess:
    """Guess from the machine's own time zone.

    Parameters
    ----------
    environment : mapping of str to str
        Its ``TZ`` comes first.
    local_time : Path
        The link to the machine's zone, ``/etc/localtime``.

    Returns
    -------
    Guess
        Empty if the pinned data does not have the zone, or no country for it.
    """
    for name in (_zone_in(environment.get("TZ", "").lstrip(":")), _zone_in(_target_of(local_time))):
        # A zone of no country, such as Etc/UTC, is how a machine is set up, not where it stands.
        if name in known_zones() and (country := country_of_zone(name)) is not None:
            return Guess(name, country, currency_of_country(country))
    return Guess()


def _target_of(link: Path) -> str:
    try:
        return str(link.readlink())
    except OSError:
        return ""


def _zone_in(text: str) -> str:
    """Return the name of a zone from the path of its file."""
    name = text.rpartition(_ZONES_OF_THE_MACHINE)[2]
    for variant in _VARIANTS:
        name = name.removeprefix(variant)
    return name
