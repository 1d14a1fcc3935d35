"""Draw random tariffs of bands, most of them valid, the others with one thing spoilt."""

from __future__ import annotations

from decimal import Decimal
from typing import TYPE_CHECKING, Any

from tests.planners.evaluator import DAYS
from tests.planners.households import band, bands

if TYPE_CHECKING:
    import random

KINDS = [*DAYS, "holiday"]
MONTHS = list(range(1, 13))


def clock(minute: int) -> str:
    return f"{minute // 60:02d}:{minute % 60:02d}"


def good_tariff(rng: random.Random, name: str = "Bands") -> dict[str, Any]:
    """Divide the day among bands, again for each group of days in each group of months."""
    days, months = groups(rng, KINDS, 3), groups(rng, MONTHS, 2)
    rows = [band("rest", rate(rng))]
    for i, some_days in enumerate(days):
        for j, some_months in enumerate(months):
            where: dict[str, Any] = {}
            if len(days) > 1:
                where["days"] = some_days
            if len(months) > 1:
                where["months"] = some_months
            rows += circle(rng, f"{i}{j}", where)
    rng.shuffle(rows)
    clocks, taxes = ["wall", "standard"], [Decimal(0), Decimal(15), Decimal("8.875")]
    return bands(*rows, name=name, clock=rng.choice(clocks), tax_percent=rng.choice(taxes))


def groups(rng: random.Random, items: list[Any], most: int) -> list[list[Any]]:
    """Deal items out to a few groups, none of them empty."""
    count = rng.randint(1, most)
    dealt: list[list[Any]] = [[] for _ in range(count)]
    for item in items:
        rng.choice(dealt).append(item)
    return [group for group in dealt if group]


def circle(rng: random.Random, label: str, where: dict[str, Any]) -> list[dict[str, Any]]:
    """Divide the day among up to two bands and the rest."""
    cuts = sorted(rng.sample(range(1440), rng.randint(0, 5)))
    hours: dict[str, list[str]] = {}
    for start, end in zip(cuts, [*cuts[1:], *cuts[:1]], strict=True):
        hours.setdefault(rng.choice(["", "a", "b"]), []).append(f"{clock(start)}-{clock(end)}")
    return [
        band(f"{which}{label}", rate(rng), hours=found, **where)
        for which, found in hours.items()
        if which
    ]


def rate(rng: random.Random) -> str:
    return str(Decimal(rng.randint(-5000, 10000)).scaleb(-4))


def spoilt_tariff(rng: random.Random) -> dict[str, Any]:
    """Change one thing of a good tariff, which often makes it a bad one."""
    tariff = good_tariff(rng)
    rows: list[dict[str, Any]] = [dict(row) for row in tariff["bands"]]
    with_hours = [row for row in rows if "hours" in row]
    if with_hours:
        row = rng.choice(with_hours)
        change = rng.choice(["lose", "close", "days", "months", "hours", "none"])
        if change == "lose":
            rows.remove(row)
        elif change == "days":
            row["days"] = rng.sample(KINDS, rng.randint(1, 8))
        elif change == "months":
            row["months"] = rng.sample(MONTHS, rng.randint(1, 12))
        elif change == "hours":
            start, end = row["hours"][0].split("-")
            earlier = (int(start[:2]) * 60 + int(start[3:]) - 1) % 1440
            row["hours"] = [f"{clock(earlier)}-{end}", *row["hours"][1:]]
        elif change == "close":
            rows = [each for each in rows if "hours" in each]
    return tariff | {"bands": rows}
