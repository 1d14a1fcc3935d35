"""Make rows of the ledger's nights; write them as CSV and JSON values."""

from __future__ import annotations

from datetime import date
from decimal import Decimal
from typing import TYPE_CHECKING, Any

from adapters.clocks.instants import parse_instant
from config.fields.currencies import minor_units
from config.files.errors import TariffError
from daemon.night_log.carbon import carbon_values, night_carbon
from daemon.night_log.month import BandSum, NightRow, StayRow
from daemon.nights.recount import compared_by_older_version
from daemon.nights.stays import has_enough, recorded_stays
from daemon.presentation.csv_text import csv_text
from planners.accounts.accounts import exact_kwh
from planners.accounts.money import round_money
from planners.local_time.departures import night_bounds
from planners.plan.plan import instant_text

if TYPE_CHECKING:
    from collections.abc import Iterable, Mapping

    from daemon.control.state import House
    from daemon.presentation.csv_text import CsvStyle
    from planners.rates.spans import RateSpan

PERCENT = Decimal("0.1")
WITHHELD = "withheld"
"""The key of a record that names what its household did not share: `SOC`, `TIMES`."""
SOC, TIMES = "soc", "plug_in_times"
NOT_SHARED = "not shared"


def night_row(record: Mapping[str, Any]) -> NightRow:
    """Make a row of a night's record.

    Parameters
    ----------
    record : mapping
        As `daemon.nights.account.night_record` made it and the ledger returned it.

    Returns
    -------
    NightRow
        Without rates and flows, which no record holds.
    """
    by_band = tuple(
        BandSum(line["band"], _money(line["rate"]), _wh(line["kwh"]), _money(line["cost"]))
        for line in record["by_band"]
    )
    baselines = record["baselines"]
    departure = record["departure"]
    lowered = record.get("lowered_by_load", {})
    return NightRow(
        night=date.fromisoformat(record["night"]),
        charge_point=record["charge_point"],
        vehicle=record["vehicle"],
        energy_wh=_wh(record["energy_kwh"]),
        cost=sum((line.cost for line in by_band), Decimal(0)),
        by_band=by_band,
        standing_charge=_money(record["standing_charge"]),
        soc_before_percent=_float(record["soc_before_percent"]),
        soc_after_percent=_float(record["soc_after_percent"]),
        soc_from=record["soc_from"],
        need_percent=float(record["need_percent"]),
        need_met=record["need_met"],
        stays=_stay_rows(record),
        starts=record["starts"],
        planned_cost=_money(record["planned_cost"]),
        estimated_wh=_wh(record["estimated_kwh"]),
        at_once=_rule(baselines, "at_once"),
        timer=_rule(baselines, "timer"),
        hindsight=_rule(baselines, "hindsight"),
        plugged_since=parse_instant(record["plugged_since"]),
        departure=parse_instant(departure) if departure else None,
        closed_at=parse_instant(record["closed_at"]),
        at_once_outside_wh=_outside_wh(baselines, "at_once"),
        timer_outside_wh=_outside_wh(baselines, "timer"),
        estimated_rate_wh=_wh(record.get("estimated_rate_kwh", Decimal(0))),
        unknown_hours=float(record.get("unknown_hours", 0)),
        roof_wh=_wh(record.get("roof_kwh", Decimal(0))),
        all_grid_cost=_all_grid_cost(record),
        compared_by_older_version=compared_by_older_version(record),
        lowered_minutes=lowered.get("minutes", 0),
        lowered_to_amps=_float(lowered.get("least_amps")),
        home_load_amps=_float(lowered.get("load_amps")),
        carbon=night_carbon(record),
        times_known=TIMES not in record.get(WITHHELD, ()),
    )


def _stay_rows(record: Mapping[str, Any]) -> tuple[StayRow, ...]:
    """Make a row of each stay; an earlier version did not record what was missing."""
    recorded = record.get("stays", ()) or [{"missing_kwh": None}]
    return tuple(
        StayRow(
            vehicle=stay.vehicle,
            plugged_since=stay.plugged_since,
            departure=stay.departure,
            need_percent=stay.need_percent,
            want_percent=stay.want_percent,
            soc_before_percent=stay.soc_before_percent,
            soc_after_percent=stay.soc_after_percent,
            # Without a state of charge, only the record tells.
            need_met=values["need_met"] if WITHHELD in record else has_enough(stay),
            missing_kwh=_float(values["missing_kwh"]),
            starts=stay.starts,
            gave_way_at=stay.left_at if stay.departure is None else None,
            wh=_wh(values["energy_kwh"]) if "energy_kwh" in values else None,
            cost=_money(values["cost"]) if "cost" in values else None,
            departed=bool(values.get("departed")),
        )
        for stay, values in zip(recorded_stays(record), recorded, strict=True)
    )


def rates_of_night(house: House, charge_point: str, night: date) -> tuple[RateSpan, ...]:
    """Return a charge point's rates of a night, noon to noon, as known now; empty if unknown."""
    try:
        return house.prices.at(charge_point).spans(*night_bounds(night, house.file.days))
    except TariffError:
        return ()


def average_rate(row: NightRow) -> Decimal | None:
    """Compute a night's average rate [currency per kWh]; None without energy."""
    return row.cost * 1000 / row.energy_wh if row.energy_wh else None


def cheapest_percent(row: NightRow) -> Decimal | None:
    """Compute the share of a night's energy bought in its cheapest band.

    Parameters
    ----------
    row : NightRow
        The night, with its rates.

    Returns
    -------
    Decimal or None
        Percent; None without energy, without known rates, and for a price series, which has no
        bands.
    """
    if not row.rates or not row.energy_wh:
        return None
    low = min(span.rate for span in row.rates)
    bands = {span.band for span in row.rates if span.rate == low}
    if bands == {"price"}:
        return None
    return Decimal(100 * sum(line.wh for line in row.by_band if line.band in bands)) / row.energy_wh


def night_values(row: NightRow, currency: str) -> dict[str, Any]:
    """Make the JSON values of a night.

    Parameters
    ----------
    row : NightRow
        The night.
    currency : str
        ISO 4217 code.

    Returns
    -------
    dict
        `cost` is rounded half-even at the minor unit, `cost_exact` is not rounded; `energy_kwh` is
        the sum of `metered_kwh` and `estimated_kwh`.
    """
    units = minor_units(currency)
    rate, cheapest = average_rate(row), cheapest_percent(row)
    return {
        "night": row.night.isoformat(),
        "charge_point": row.charge_point,
        "vehicle": row.vehicle,
        "currency": currency,
        "energy_kwh": exact_kwh(row.energy_wh),
        "metered_kwh": exact_kwh(row.energy_wh - row.estimated_wh),
        "estimated_kwh": exact_kwh(row.estimated_wh),
        "cost": round_money(row.cost, units),
        "cost_exact": row.cost,
        "average_rate": None if rate is None else round(rate, 4),
        "cheapest_band_percent": None if cheapest is None else cheapest.quantize(PERCENT),
        "soc_before_percent": row.soc_before_percent,
        "soc_after_percent": row.soc_after_percent,
        "soc_from": row.soc_from,
        "need_percent": row.need_percent,
        "need_met": row.need_met,
        "starts": row.starts,
        "planned_cost": row.planned_cost,
        "at_once": row.at_once,
        "timer": row.timer,
        "hindsight": row.hindsight,
        "at_once_outside_kwh": _outside_kwh(row.at_once, row.at_once_outside_wh),
        "timer_outside_kwh": _outside_kwh(row.timer, row.timer_outside_wh),
        "estimated_rate_kwh": exact_kwh(row.estimated_rate_wh),
        "unknown_hours": row.unknown_hours,
        "lowered_minutes": row.lowered_minutes,
        "lowered_to_amps": row.lowered_to_amps,
        "home_load_amps": row.home_load_amps,
        "standing_charge": row.standing_charge,
        "plugged_since": instant_text(row.plugged_since) if row.times_known else None,
        "departure": instant_text(row.departure) if row.departure else None,
        "closed_at": instant_text(row.closed_at) if row.times_known else None,
        "departures": len(row.departures),
        "missing_kwh": _missing_kwh(row),
        "roof_kwh": exact_kwh(row.roof_wh),
        "all_grid_cost": row.all_grid_cost,
        **carbon_values(row.carbon),
        "by_band": band_values(row.by_band),
        "stays": [_stay_values(stay, times_known=row.times_known) for stay in row.stays],
    }


def _missing_kwh(row: NightRow) -> float | None:
    """Add up what the needs of a night lacked; None if some of it is unknown."""
    known = [stay.missing_kwh for stay in row.stays if stay.missing_kwh is not None]
    return round(sum(known), 2) if len(known) == len(row.stays) else None


def _stay_values(stay: StayRow, *, times_known: bool) -> dict[str, Any]:
    return {
        "vehicle": stay.vehicle,
        "plugged_since": instant_text(stay.plugged_since) if times_known else None,
        "departure": instant_text(stay.departure) if stay.departure else None,
        "need_percent": stay.need_percent,
        "want_percent": stay.want_percent,
        "soc_before_percent": stay.soc_before_percent,
        "soc_after_percent": stay.soc_after_percent,
        "need_met": stay.need_met,
        "missing_kwh": stay.missing_kwh,
        "starts": stay.starts,
        **({} if stay.wh is None else {"energy_kwh": exact_kwh(stay.wh), "cost": stay.cost}),
    }


def band_values(lines: Iterable[BandSum]) -> list[dict[str, Any]]:
    """Make the JSON values of energy by band; costs are not rounded."""
    return [
        {"band": line.band, "rate": line.rate, "kwh": exact_kwh(line.wh), "cost": line.cost}
        for line in lines
    ]


COLUMNS = (
    "night", "charge_point", "vehicle", "currency", "energy_kwh", "metered_kwh", "estimated_kwh",
    "cost", "cost_exact", "average_rate", "cheapest_band_percent", "soc_before_percent",
    "soc_after_percent", "soc_from", "need_percent", "need_met", "starts", "planned_cost",
    "at_once", "timer", "hindsight", "standing_charge", "plugged_since", "departure", "closed_at",
    "at_once_outside_kwh", "timer_outside_kwh", "estimated_rate_kwh",
    "unknown_hours", "lowered_minutes", "lowered_to_amps", "home_load_amps", "departures",
    "missing_kwh", "roof_kwh", "all_grid_cost", "carbon_kind", "carbon_kg", "at_once_carbon_kg",
    "carbon_estimated_kwh",
)  # fmt: skip


def nights_csv(rows: Iterable[NightRow], currency: str, style: CsvStyle | None = None) -> str:
    """Write nights as CSV, one row for each."""
    return csv_text(COLUMNS, (night_values(row, currency) for row in rows), style)


def _wh(energy_kwh: Decimal) -> int:
    return int((Decimal(energy_kwh) * 1000).to_integral_value())


def _money(amount: Any) -> Decimal:  # noqa: ANN401 - a JSON number: Decimal, or int for a count
    return Decimal(amount)


def _all_grid_cost(record: Mapping[str, Any]) -> Decimal | None:
    return _money(record["all_grid_cost"]) if "all_grid_cost" in record else None


def _rule(baselines: Mapping[str, Any], name: str) -> Decimal | None:
    """Return the cost by a rule; None if it may be that of another amount of energy."""
    baseline = baselines.get(name, {})
    return _money(baseline["cost"]) if "energy_kwh" in baseline else None


def _outside_wh(baselines: Mapping[str, Any], name: str) -> int:
    return _wh(baselines.get(name, {}).get("outside_kwh", Decimal(0)))


def _outside_kwh(cost: Decimal | None, outside_wh: int) -> Decimal | None:
    return None if cost is None else exact_kwh(outside_wh)


def _float(number: Any) -> float | None:  # noqa: ANN401 - a JSON value
    return None if number is None else float(number)
