"""Find the rates of a tariff of bands, by the local clock or by standard time."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np
from typing_extensions import override

from config.files.errors import TariffError
from config.tariffs.bands import band_table
from planners.local_time.conversion import DAY_MINUTES, instant_of
from planners.local_time.day_kinds import minutes_of_days
from planners.local_time.standard_time import standard_offsets_between
from planners.local_time.zone_offsets import Offsets, offsets_between
from planners.rates.runs import RateRun, Rates, run_starts
from planners.rates.usage_tiers import band_rate, usage_tiers_of

if TYPE_CHECKING:
    from decimal import Decimal
    from zoneinfo import ZoneInfo

    from numpy.typing import NDArray

    from config.calendar.tables import Calendar
    from config.tariffs.tariff import Tariff
    from planners.rates.usage_tiers import UsageTiers


@dataclass(frozen=True, slots=True, eq=False)
class BandRates(Rates):
    """The rates of one tariff of bands.

    Attributes
    ----------
    tariff : str
        Name of the tariff, for errors.
    zone : ZoneInfo
        The household's zone.
    standard : bool
        Whether its meter ignores daylight saving.
    holidays : str or None
        Code of the public holidays, if a band of the tariff names them.
    calendar : Calendar
        What tells its dates apart.
    table : ndarray of int8, of the calendar's shape
        Index of the band that covers each minute, -1 for none.
    names : tuple of str
        Names of the bands.
    rates : tuple of Decimal
        Their rates, tax included; with tiers, the rate after the usual use [currency per kWh].
    tiers : tuple of UsageTiers or None
        Their tiers, if they have any.
    """

    tariff: str
    zone: ZoneInfo
    standard: bool
    holidays: str | None
    calendar: Calendar
    table: NDArray[np.int8]
    names: tuple[str, ...]
    rates: tuple[Decimal, ...]
    tiers: tuple[UsageTiers | None, ...]

    @override
    def runs(self, first: int, last: int) -> list[RateRun]:
        local = self._offsets(first, last).to_local(np.arange(first, last))
        first_day = int(local.min()) // DAY_MINUTES
        last_day = int(local.max()) // DAY_MINUTES
        days = minutes_of_days(self.table, first_day, last_day, self.holidays, self.calendar)
        bands = days[local - first_day * DAY_MINUTES]
        starts = run_starts(bands)
        found = bands[starts].tolist()
        if min(found) < 0:
            minute = first + int(starts[found.index(-1)])
            raise TariffError(f"no band of {self.tariff} covers {instant_of(minute).isoformat()}")
        return [
            RateRun(
                first + start,
                self.names[band],
                self.rates[band],
                estimated=False,
                tiers=self.tiers[band],
            )
            for start, band in zip(starts.tolist(), found, strict=True)
        ]

    @override
    def known_until(self, minute: int) -> int | None:
        return None

    def _offsets(self, first: int, last: int) -> Offsets:
        if self.standard:
            return standard_offsets_between(self.zone, first, last)
        return offsets_between(self.zone, first, last)


def band_rates_of(tariff: Tariff, zone: ZoneInfo, holidays: str | None) -> BandRates:
    """Prepare a tariff's bands for looking up rates.

    Parameters
    ----------
    tariff : Tariff
        A tariff of bands.
    zone : ZoneInfo
        The household's zone.
    holidays : str or None
        The household's code of public holidays.

    Returns
    -------
    BandRates
        Its rates, tax included.
    """
    bands = tariff.bands or ()
    return BandRates(
        tariff=tariff.name,
        zone=zone,
        standard=tariff.clock == "standard",
        # If no band names them, public holidays are ordinary days.
        holidays=holidays if tariff.calendar.holidays else None,
        calendar=tariff.calendar,
        table=band_table(tariff),
        names=tuple(band.name for band in bands),
        rates=tuple(band_rate(tariff, band) for band in bands),
        tiers=tuple(usage_tiers_of(tariff, band) for band in bands),
    )
