"""The sentences at the top: what the vehicle will have by when, and what it costs. Pure."""

from __future__ import annotations

from typing import TYPE_CHECKING, Final

from daemon.page.plan_shown import MISSING_KWH

if TYPE_CHECKING:
    from collections.abc import Iterator
    from datetime import datetime

    from adapters.contract.messages import Status
    from daemon.page.plan_shown import ShownPlan
    from daemon.page.words import Words

_MOST_SPANS: Final = 2
"""More times of charging than this are counted instead of named."""


def headline_of(
    status: Status, plan: ShownPlan | None, now: datetime, words: Words
) -> Iterator[str]:
    """Say what will happen at a charge point.

    Parameters
    ----------
    status
        Its last status.
    plan
        The plan in force.
    now
        UTC.
    words
        The reader's.

    Yields
    ------
    str
        Sentences, the most important one first.
    """
    vehicle = status.vehicle or words.say("vehicle")
    if not status.connected:
        yield words.say("The {vehicle} is not plugged in.", vehicle=vehicle)
        yield words.say("What you ask for counts once it is.")
        return
    if plan is None:
        yield from _without_plan(status, vehicle, now, words)
        return
    ahead = tuple(span for span in plan.spans if span[1] > now)
    yield _reaches(plan, vehicle, now, words) if ahead else _holds(plan, status, now, words)
    if ahead:
        yield _charges(plan, ahead, now, words)
        if plan.roof_kwh > MISSING_KWH:
            yield words.say(
                "{part} of {kwh} are to come from the roof.",
                part=words.kwh(plan.roof_kwh),
                kwh=words.kwh(plan.energy_kwh),
            )
    if plan.event is not None:
        yield words.say("The departure is from the calendar: {event}.", event=plan.event)
    if plan.shortfall_kwh > MISSING_KWH:
        yield words.say(
            "{percent} are needed: {kwh} will be missing.",
            percent=words.percent(plan.need_percent),
            kwh=words.kwh(plan.shortfall_kwh),
        )
    if plan.rests_on_estimates:
        yield words.say("Some rates are estimated.")


def _without_plan(status: Status, vehicle: str, now: datetime, words: Words) -> Iterator[str]:
    if status.skip_until is not None and status.skip_until > now:
        until = words.when(status.skip_until, now)
        yield words.say("Nothing is charged until {time}.", time=until)
    elif status.goes_on_until is not None and status.goes_on_until > now:
        until = words.when(status.goes_on_until, now)
        yield words.say("The {vehicle} is charging.", vehicle=vehicle)
        yield words.say("It has not left, and charges on until {time} at the latest.", time=until)
    elif status.charging:
        yield words.say("The {vehicle} is charging.", vehicle=vehicle)
    else:
        yield words.say("Nothing is planned for the {vehicle}.", vehicle=vehicle)


def _reaches(plan: ShownPlan, vehicle: str, now: datetime, words: Words) -> str:
    percent, by = words.percent(plan.reaches_percent), words.when(plan.departure, now)
    return words.say(
        "The {vehicle} will be at {percent} by {time}.", vehicle=vehicle, percent=percent, time=by
    )


def _holds(plan: ShownPlan, status: Status, now: datetime, words: Words) -> str:
    vehicle = status.vehicle or words.say("vehicle")
    # The status is newer than the plan, and its level is shown below.
    level = plan.soc_percent if status.soc_percent is None else status.soc_percent
    percent, by = words.percent(level), words.when(plan.departure, now)
    if plan.shortfall_kwh > MISSING_KWH:
        return words.say(
            "The {vehicle} is at {percent}, and nothing more is charged by {time}.",
            vehicle=vehicle, percent=percent, time=by,
        )  # fmt: skip
    return words.say(
        "The {vehicle} is at {percent}, which is enough for {time}.",
        vehicle=vehicle, percent=percent, time=by,
    )  # fmt: skip


def _charges(
    plan: ShownPlan,
    ahead: tuple[tuple[datetime, datetime], ...],
    now: datetime,
    words: Words,
) -> str:
    cost = words.money(plan.cost, plan.currency)
    start, end = ahead[0][0], ahead[-1][1]
    if start <= now and len(ahead) == 1:
        return words.say("Charges until {end} for {cost}.", end=words.when(end, now), cost=cost)
    if len(ahead) > _MOST_SPANS:
        return words.say(
            "Charges {count} times between {start} and {end} for {cost}.",
            count=len(ahead),
            start=words.when(max(start, now), now), end=words.when(end, now), cost=cost,
        )  # fmt: skip
    spans = words.say(" and ").join(
        words.say("{start} to {end}", start=words.when(one, now), end=words.when(other, now))
        for one, other in ahead
    )
    return words.say("Charges {spans} for {cost}.", spans=spans, cost=cost)
