"""Say what export pays, in words and as rows."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

from config.files.errors import TariffError
from config.tariffs.export_rate import EXPORT
from daemon.presentation.figures import rate_text
from planners.plan.plan import instant_text

if TYPE_CHECKING:
    from collections.abc import Iterator
    from datetime import datetime

    from config.household.household_file import HouseholdFile
    from planners.rates.prices import Prices


def export_lines(
    file: HouseholdFile, prices: Prices, start: datetime, end: datetime
) -> Iterator[str]:
    """Say what export pays over some time.

    Parameters
    ----------
    file : HouseholdFile
        The household.
    prices : Prices
        Its rates.
    start, end : datetime
        UTC.

    Yields
    ------
    str
        Sentences; none without generation.
    """
    export, currency = prices.export, file.household.currency
    if export is None:
        return
    try:
        spans = export.spans(start, end)
    except TariffError as error:
        yield f"What export pays is not known ({error}): it counts as 0."
        return
    if not any(tariff.export_rate for tariff in prices.tariffs):
        yield "No export_rate: what is left over counts as worth 0."
        return
    rates = dict.fromkeys((span.band, span.rate) for span in spans)
    if len({rate for _band, rate in rates}) == 1:
        yield f"Export pays {rate_text(spans[0].rate)} {currency} per kWh."
        return
    bands = {band for band, _rate in rates}
    if len(bands) == len(rates) and EXPORT not in bands:
        each = ", ".join(f"{band} {rate_text(rate)}" for band, rate in rates)
        yield f"Export pays {each} {currency} per kWh."
        return
    low, high = (rate_text(pick(span.rate for span in spans)) for pick in (min, max))
    guessed = " (some estimated)" if any(span.estimated for span in spans) else ""
    yield f"Export pays {low} to {high} {currency} per kWh{guessed}."


def export_rows(prices: Prices, start: datetime, end: datetime) -> list[dict[str, Any]] | None:
    """List what export pays over some time, as JSON values; None without generation."""
    if prices.export is None:
        return None
    try:
        spans = prices.export.spans(start, end)
    except TariffError:
        return []
    return [
        {
            "start_utc": instant_text(span.start),
            "end_utc": instant_text(span.end),
            "tariff": span.tariff,
            "band": span.band,
            "rate": span.rate,
            "estimated": span.estimated,
        }
        for span in spans
    ]
