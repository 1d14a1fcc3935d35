"""Split the cost of nights into the components and percentages of a composed tariff.

The energy of each span of one rate is metered, and priced line by line as a bill does.
"""

from __future__ import annotations

from collections import defaultdict
from datetime import date
from decimal import Decimal
from typing import TYPE_CHECKING, Any

from config.files.errors import TariffError
from config.home.generation import ROOF
from daemon.nights.metered import read_meter, roof_shares
from planners.local_time.departures import night_bounds
from planners.rates.tiered_spans import parts_by_use, use_counted_from

if TYPE_CHECKING:
    from collections.abc import Iterator, Mapping, Sequence
    from datetime import datetime

    from adapters.ledger.reader import LedgerReader
    from daemon.control.state import House
    from planners.rates.prices import Prices, RateSpan

WH_PER_KWH = Decimal(1000)


def cost_by_component(
    house: House, ledger: LedgerReader, records: Sequence[Mapping[str, Any]]
) -> tuple[tuple[str, Decimal], ...]:
    """Split the cost of nights.

    Parameters
    ----------
    house : House
        The household.
    ledger : LedgerReader
        Its record.
    records : sequence of mapping
        The nights, as the ledger has them.

    Returns
    -------
    tuple of (str, Decimal)
        Each component and percentage, and what it cost, tax apart, unrounded [currency]. Energy of
        a tariff with tiers is priced in the tier that its day or month had reached. Empty if a
        night's tariff has neither, or if a rate is not known any more. What the own roof gave has a
        line of its own, at what export would have paid.
    """
    costs: dict[str, Decimal] = defaultdict(Decimal)
    try:
        for meter in house.prices.meters:
            points = [name for name in house.file.charge_points if house.prices.at(name) is meter]
            own = [record for record in records if record["charge_point"] in points]
            for span, charged, wh in _bought(house, ledger, meter, own):
                if not meter.tariff_on(span.start.astimezone(meter.zone).date()).is_composed:
                    return ()
                for line in meter.composition_at(span.start, charged) if wh else ():
                    costs[line.name] += line.amount * wh / WH_PER_KWH
        of_roof = [record for record in records if "roof_kwh" in record]
        for line in (line for record in of_roof for line in record["by_band"]):
            if line["band"] == ROOF:
                costs[ROOF] += Decimal(line["cost"])
    except TariffError:
        return ()
    return tuple(costs.items())


def _bought(
    house: House, ledger: LedgerReader, prices: Prices, records: Sequence[Mapping[str, Any]]
) -> Iterator[tuple[RateSpan, int, int]]:
    """List the spans of nights on a meter, the use before each, and what was bought in it [Wh]."""
    if not records:
        return
    nights = [date.fromisoformat(record["night"]) for record in records]
    bounds = [night_bounds(night, house.file.days) for night in nights]
    first, last = min(start for start, _ in bounds), max(end for _, end in bounds)
    since = use_counted_from(prices, first, last) or first
    points = [name for name in house.file.charge_points if house.prices.at(name) is prices]
    read = {name: read_meter(house, ledger, name, min(since, first), last) for name in points}

    untils = {name: meter.wh_until for name, meter in read.items()}
    roofs = roof_shares(house, ledger, untils, first, last)

    def charged_wh(instant: datetime) -> int:
        return sum(meter.until(instant)[0] for meter in read.values())

    for record, (start, end) in zip(records, bounds, strict=True):
        meter, roof = read[record["charge_point"]], roofs.get(record["charge_point"])
        for span, charged in parts_by_use(prices, start, end, charged_wh):
            wh, _ = meter.between(span.start, span.end)
            yield span, charged, wh - (roof.between(span.start, span.end) if roof else 0)
