"""Split the cost of nights into the components and percentages of a composed tariff.

The energy of each span of one rate is metered, and priced line by line as a bill does.
"""

from __future__ import annotations

from collections import defaultdict
from datetime import date
from decimal import Decimal
from typing import TYPE_CHECKING, Any

from config.files.errors import TariffError
from daemon.nights.metered import read_meter
from planners.local_time.departures import night_bounds

if TYPE_CHECKING:
    from collections.abc import Mapping, Sequence

    from adapters.ledger.reader import LedgerReader
    from daemon.control.state import House

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
        Each component and percentage, and what it cost, tax apart, unrounded [currency]. Empty if
        a night's tariff has neither, or has tiers, whose rates depend on the use of a whole month,
        or if a rate is not known any more.
    """
    costs: dict[str, Decimal] = defaultdict(Decimal)
    try:
        for record in records:
            start, end = night_bounds(date.fromisoformat(record["night"]), house.file.zone)
            meter = read_meter(house, ledger, record["charge_point"], start, end)
            prices = house.prices.at(record["charge_point"])
            for span in prices.spans(start, end):
                tariff = prices.tariff_on(span.start.astimezone(house.file.zone).date())
                if not tariff.is_composed or tariff.tiers_per is not None:
                    return ()
                wh, _ = meter.between(span.start, span.end)
                for line in prices.composition_at(span.start) if wh else ():
                    costs[line.name] += line.amount * wh / WH_PER_KWH
    except TariffError:
        return ()
    return tuple(costs.items())
