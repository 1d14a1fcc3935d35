"""Say how starts are delayed at random, and what a British statute asks of charge points in homes.

The Electric Vehicles (Smart Charge Points) Regulations 2021, SI 2021/1467: regulation 11 by its
text as reprinted by a secondary source, 8 and 10 by its explanatory note, the hours of regulation
10 by secondary sources.
"""

from __future__ import annotations

from typing import TYPE_CHECKING, Final

from config.calendar.words import listed
from planners.home.allotments import shares_by_plan
from planners.power.cautions import PORTABLE

if TYPE_CHECKING:
    from collections.abc import Iterator

    from config.household.household_file import HouseholdFile

BRITISH_ZONES: Final = ("Europe/London", "GB")
STATUTE: Final = "SI 2021/1467"


def delay_cautions(file: HouseholdFile) -> Iterator[str]:
    """Warn of delays that are missing, or that come too late for a fuse.

    Parameters
    ----------
    file : HouseholdFile
        The household.

    Yields
    ------
    str
        Sentences.
    """
    is_shared = file.household.main_fuse_amps is not None or shares_by_plan(file)
    for name, point in file.charge_points.items():
        if point.delays_itself_seconds and is_shared:
            yield (
                f"{name} follows each command up to {point.delays_itself_seconds} s late, also a"
                " lower one: too late for a main fuse whose load is read live, or that is shared,"
                " and for a limit of the grid operator. If its own delay can be switched off, do"
                " so, and set random_delay_seconds instead: Lullwatt never delays such a fall."
            )
    if file.household.timezone in BRITISH_ZONES:
        yield from _british(file)


def _british(file: HouseholdFile) -> Iterator[str]:
    fixed = {n: p for n, p in file.charge_points.items() if p.charging_mode != PORTABLE}
    without = [name for name, point in fixed.items() if not point.longest_delay]
    if without:
        yield (
            f"{listed(without)}: in Great Britain a charge point sold for a home since 30 June 2022"
            " delays each start and change of its rate at random, by up to 600 s"
            f" ({STATUTE}, regulation 11). If it does so itself, set delays_itself_seconds: 600; if"
            " it leaves that to what controls it, random_delay_seconds: 600."
        )
    if fixed:
        yield (
            "Such a charge point comes with default charging hours outside 08:00-11:00 and"
            f" 16:00-22:00 on weekdays ({STATUTE}, regulation 10), which its owner may change:"
            " Lullwatt chooses hours by price, so its own schedule must not forbid them. It must"
            " also refuse what would be unsafe, whoever asks (regulation 8): leave that on."
        )
