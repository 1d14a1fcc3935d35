"""What charge points share will carry tonight, as a strip and in words: fuse or power. Pure."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import timedelta
from itertools import pairwise
from typing import TYPE_CHECKING, Final

import numpy as np

from daemon.page.strip import HourMark, hour_marks, stretch_of
from planners.local_time.conversion import minute_of
from planners.power.allowed_currents import fixed_parts
from planners.power.home_load import home_load
from planners.power.phases import limits_of

if TYPE_CHECKING:
    from collections.abc import Iterator, Mapping, Sequence
    from datetime import datetime

    from config.household.household_file import HouseholdFile
    from daemon.page.plan_shown import ShownPlan
    from daemon.page.words import Words
    from planners.power.phases import SupplyLimit

_MINUTE: Final = timedelta(minutes=1)
_WHOLE: Final = 100.0


@dataclass(frozen=True, slots=True)
class FuseStep:
    """A part of the strip: its place and width, and how high home and charging are [percent]."""

    left: float
    width: float
    home: float
    charging: float


@dataclass(frozen=True, slots=True)
class FuseStrip:
    """What one fuse will carry.

    Attributes
    ----------
    name : str
        Which fuse, with its amperes.
    text : str
        The most that it is to carry, and when.
    steps : tuple of FuseStep
        From now on; the fuse itself has the whole height.
    hours : tuple of HourMark
        Full hours to write under it.
    has_home : bool
        Whether a load of the rest of the home is known.
    is_fuse : bool
        Whether it is a fuse; else it is the power that the whole home may draw.
    """

    name: str
    text: str
    steps: tuple[FuseStep, ...]
    hours: tuple[HourMark, ...]
    has_home: bool
    is_fuse: bool = True


def fuse_strips(
    file: HouseholdFile, plans: Mapping[str, ShownPlan], now: datetime, words: Words
) -> Iterator[FuseStrip]:
    """Yield a strip for each phase of a main fuse, and the power, that several points share.

    Parameters
    ----------
    file
        The household.
    plans
        The plan in force of each charge point that has one.
    now
        UTC.
    words
        The reader's.

    Yields
    ------
    FuseStrip
        Where two phases carry the same, only one of them.
    """
    shared = [each for each in limits_of(file) if each.kind != "unbalance" and len(each.points) > 1]
    fuses = sum(each.kind == "fuse" for each in shared)
    for limit in shared if plans else ():
        amps = f"{limit.amps:g}"
        name = words.say("Main fuse of {amps} A", amps=amps)
        if limit.kind == "power":
            name = words.say("Whole home, {kw} kW", kw=_kw(file, limit.amps, words))
        elif fuses > 1:
            name = words.say("{fuse}, phase {phase}", fuse=name, phase=limit.phases[0])
        yield _strip(file, limit, list(plans.values()), name, now=now, words=words)


def fixed_parts_text(file: HouseholdFile, words: Words) -> str:
    """Say what each charge point may draw while no plan for all of them holds."""
    amps = {name: f"{each:g}" for name, each in fixed_parts(file).items()}
    parts = ", ".join(words.say("{name} {amps} A", name=name, amps=amps[name]) for name in amps)
    return words.say(
        "Without a plan for all together, each keeps to its part: {parts}.", parts=parts
    )


def _kw(file: HouseholdFile, amps: float, words: Words) -> str:
    """Write a current of all phases in sum as a power."""
    return words.number(amps * file.household.nominal_volts / 1000)


def _strip(
    file: HouseholdFile,
    limit: SupplyLimit,
    plans: Sequence[ShownPlan],
    name: str,
    *,
    now: datetime,
    words: Words,
) -> FuseStrip:
    departure = max(plan.departure for plan in plans)
    stretch = stretch_of(now, departure, [span for plan in plans for span in plan.spans])
    currents = [
        (start, end, amps * limit.vehicles[plan.vehicle])
        for plan in plans
        if plan.vehicle in limit.vehicles
        for start, end, amps in plan.currents
    ]
    first, last = minute_of(now), minute_of(stretch.end)
    home = np.sum([home_load(file, first, last, phase) for phase in limit.phases], axis=0)
    edges = {now, stretch.end}
    edges |= {at for start, end, _ in currents for at in (start, end) if now < at < stretch.end}
    changes = (home[1:] != home[:-1]).nonzero()[0] + 1
    edges |= {now + int(place) * _MINUTE for place in changes}
    steps, most, most_at = [], 0.0, now
    for start, end in pairwise(sorted(edges)):
        drawn = sum(amps for begins, ends, amps in currents if begins <= start < ends)
        rest = float(home[min(minute_of(start) - first, len(home) - 1)])
        if drawn + rest > most:
            most, most_at = drawn + rest, start
        bar = stretch.bar(start, end)
        steps.append(
            FuseStep(bar.left, bar.width, _share(rest, limit.amps), _share(drawn, limit.amps))
        )
    text = _most_text(file, limit, most, words.when(most_at, now), words)
    hours = tuple(hour_marks(stretch, file.zone))
    return FuseStrip(
        name, text, tuple(steps), hours, has_home=bool(home.any()), is_fuse=limit.kind == "fuse"
    )


def _most_text(file: HouseholdFile, limit: SupplyLimit, most: float, at: str, words: Words) -> str:
    if not most:
        return words.say("Nothing is planned to flow through it.")
    if limit.kind == "power":
        kw = {"most": _kw(file, most, words), "kw": _kw(file, limit.amps, words)}
        return words.say("At most {most} kW of {kw} kW are planned, at {time}.", time=at, **kw)
    amps = {"most": words.number(most), "amps": f"{limit.amps:g}"}
    return words.say("At most {most} A of {amps} A are planned, at {time}.", time=at, **amps)


def _share(amps: float, fuse_amps: float) -> float:
    return round(min(_WHOLE, _WHOLE * amps / fuse_amps), 1)
