"""Rules between the bands of a tariff: each hour once, each name at one rate."""

from __future__ import annotations

from typing import TYPE_CHECKING

from config.fields.key_problems import KeyProblem
from config.home.known_load import holiday_needs
from config.tariffs.bands import clashes, names_holidays

if TYPE_CHECKING:
    from collections.abc import Iterator

    from config.tariffs.band import Band
    from config.tariffs.bands import Clash
    from config.tariffs.tariff import Tariff


def band_problems(
    tariff: Tariff, *, public_holidays: bool, section: str = "household"
) -> Iterator[KeyProblem]:
    """Find the broken rules between the bands of a tariff.

    Parameters
    ----------
    tariff : Tariff
        The tariff.
    public_holidays : bool
        Whether the file names a calendar of public holidays.
    section : str
        The key under which the file names it.

    Yields
    ------
    KeyProblem
        With paths from the tariff.
    """
    yield from _kind_holiday_problems(tariff, public_holidays=public_holidays, section=section)
    if tariff.export_rate is not None:
        for problem in band_problems(
            tariff.export_tariff, public_holidays=public_holidays, section=section
        ):
            yield KeyProblem(("export_rate", *problem.path), problem.message)
    if tariff.components is None:
        yield from _calendar_problems(tariff, public_holidays=public_holidays, section=section)
        return
    for place, component in enumerate(tariff.plain_components):
        for problem in _calendar_problems(
            component.tariff, public_holidays=public_holidays, section=section
        ):
            yield KeyProblem(("components", place, *problem.path), problem.message)


def _calendar_problems(
    tariff: Tariff, *, public_holidays: bool, section: str
) -> Iterator[KeyProblem]:
    if not tariff.by_kind:
        yield from _plain_problems(tariff, public_holidays=public_holidays, section=section)
        return
    seen: set[KeyProblem] = set()
    for kind, of_kind, places in tariff.by_kind:
        for problem in _plain_problems(of_kind, public_holidays=public_holidays, section=section):
            path, message = problem.path, problem.message
            if path[0] == "bands" and len(path) > 1:
                path = ("bands", places[int(path[1])], *path[2:])
            if path == ("bands",):
                message = f"on days of {kind}, {message}"
            made = KeyProblem(path, message)
            if made not in seen:
                seen.add(made)
                yield made


def _kind_holiday_problems(
    tariff: Tariff, *, public_holidays: bool, section: str
) -> Iterator[KeyProblem]:
    for place, kind in enumerate(tariff.announced.kinds if tariff.announced else ()):
        if "holiday" in (kind.days or ()) and not public_holidays:
            yield KeyProblem(("announced", "kinds", place, "days"), holiday_needs(section))
    charge = tariff.capacity_charge
    for key in ("days", "not_on") if charge is not None and not public_holidays else ():
        if "holiday" in (getattr(charge, key) or ()):
            yield KeyProblem(("capacity_charge", key), holiday_needs(section))


def _plain_problems(tariff: Tariff, *, public_holidays: bool, section: str) -> Iterator[KeyProblem]:
    bands = tariff.bands or ()
    for clash in clashes(tariff):
        yield _clash_problem(clash, bands)
    yield from _name_problems(bands)
    if names_holidays(tariff) and not public_holidays:
        for number, band in enumerate(bands):
            if "holiday" in (band.days or ()):
                yield KeyProblem(("bands", number, "days"), holiday_needs(section))


def _clash_problem(clash: Clash, bands: tuple[Band, ...]) -> KeyProblem:
    extent = f" (in all: {clash.extent})" if clash.extent else ""
    if clash.bands:
        first, second = (f'"{bands[place].name}"' for place in clash.bands)
        if first == second:
            first, second = (f"[{place}] {first}" for place in clash.bands)
        message = f"bands {first} and {second} overlap on {clash.example}{extent}"
        return KeyProblem(("bands", clash.bands[1]), message)
    return KeyProblem(
        ("bands",),
        f"no band covers {clash.example}{extent}; add hours to a band, or one band without "
        "hours for the rest",
    )


def _name_problems(bands: tuple[Band, ...]) -> Iterator[KeyProblem]:
    """Find bands that have one name but two rates in the same month."""
    # Bands may share a name and a rate: their hours differ by days. They may also share a name at
    # different rates in different months: the seasons of one band. Both are common, and accounts
    # keep a line for each name and rate. Two rates of one name in the same month are a mistake:
    # somebody copied a band and forgot to change the name.
    for later, band in enumerate(bands):
        for earlier, other in enumerate(bands[:later]):
            same_rate = (band.rate, band.tiers) == (other.rate, other.tiers)
            if band.name == other.name and not same_rate and _share_a_month(band, other):
                yield KeyProblem(
                    ("bands", later, "name"),
                    f'expected a unique name, got "{band.name}", also the name of bands[{earlier}] '
                    "at another rate in the same months",
                )
                break


def _share_a_month(one: Band, other: Band) -> bool:
    return one.months is None or other.months is None or bool({*one.months} & {*other.months})
