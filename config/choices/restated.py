"""Restate what a choices file declares, in lines that people can check against their papers."""

from __future__ import annotations

from typing import TYPE_CHECKING, NamedTuple

from config.calendar.words import listed

if TYPE_CHECKING:
    from collections.abc import Iterator, Sequence

    from config.choices.choices_file import AppraisedHome, Choice, ChoicesFile, HomeUse
    from config.choices.driving import DrivingPattern
    from config.choices.own_roof import AppraisedGeneration
    from config.choices.temperature import MonthlyTemperature
    from config.household.equipment import ChargePoint
    from config.household.vehicle import AnyVehicle
    from config.tariffs.tariff import Tariff

PLANNERS = {
    "exact": "in the cheapest hours",
    "at_once": "as soon as it is plugged in",
    "timer": "when the cheapest band starts",
}
"""How a choice charges, in words."""


class Restated(NamedTuple):
    """One input, and what the file says of it."""

    what: str
    said: str


def restated(file: ChoicesFile) -> tuple[Restated, ...]:
    """Restate the home, the vehicles, their driving and every choice."""
    home = file.appraisal
    return (
        Restated("home", _home(home)),
        Restated("money", "; ".join(_money(home))),
        *([Restated("temperature", _seasons(home.temperature))] if home.temperature else []),
        Restated("vehicle", _vehicle(file.vehicle)),
        Restated("driving", "; ".join(_driving(file.driving))),
        *(
            Restated(name, f"{_vehicle(each)}; {'; '.join(_driving(each.driving))}")
            for name, each in file.other_vehicles.items()
        ),
        *_rest_of_home(file.home_use),
        *_roofs(file.generation),
        *(Restated(each.name, "; ".join(_choice(each))) for each in file.choices),
    )


def _home(home: AppraisedHome) -> str:
    holidays = f", public holidays of {home.public_holidays}" if home.public_holidays else ""
    return (
        f"year {home.year}, {home.timezone}, {home.currency}, {home.nominal_volts:g} V, steps of"
        f" {home.tick_minutes} min{holidays}"
    )


def _money(home: AppraisedHome) -> Iterator[str]:
    growth = home.price_growth
    yield f"kept for {home.keep_years:g} {'year' if home.keep_years == 1 else 'years'}"
    yield f"interest {home.interest_percent:g} % a year"
    for key in type(growth).model_fields:
        percent = getattr(growth, key)
        if percent:
            words = key.removesuffix("_percent").replace("_", " ")
            yield f"price growth, {words}: {percent:g} % a year"
    if home.elsewhere_rate is not None:
        yield f"a kWh elsewhere {home.elsewhere_rate} {home.currency}"
    if home.elsewhere_share_percent:
        yield f"{home.elsewhere_share_percent:g} % of every trip's energy charged elsewhere"
    if home.elsewhere_when_short:
        yield "what is missing at a departure charged elsewhere"


def _seasons(year: MonthlyTemperature) -> str:
    means = ", ".join(f"{each:g}" for each in year.monthly_mean_celsius)
    source = f" ({year.source})" if year.source else ""
    return f"{means} °C from January{source}; consumption holds at {year.declared_at_celsius:g} °C"


def _vehicle(car: AnyVehicle) -> str:
    parts = [f"{car.usable_kwh:g} kWh usable", f"{car.charging_efficiency_percent:g} % efficiency"]
    if car.standby_watts:
        parts.append(f"{car.standby_watts:g} W while charging")
    if car.max_amps is not None:
        parts.append(f"at most {car.max_amps:g} A")
    if car.phases > 1:
        parts.append(f"{car.phases} phases")
    if car.kwh_per_km is not None:
        parts.append(f"{100 * car.kwh_per_km:.3g} kWh per 100 km")
    price = getattr(car, "battery_price_per_kwh", None)
    if price is not None:
        parts.append(f"a kWh of battery is worth {price}")
    return ", ".join(parts)


def _driving(driving: DrivingPattern) -> Iterator[str]:
    days = f" on {listed(driving.days)}" if 0 < len(driving.days) < len("weekday") else ""
    if driving.distance_per_year is not None:
        yield f"{driving.distance_per_year} a year{days}"
    elif driving.ledger is not None:
        yield f"what the ledger {driving.ledger.path.name} recorded of {driving.ledger.vehicle}"
    for trip in driving.trips:
        when = str(trip.date) if trip.date is not None else listed(trip.days or ("",))
        yield f"{trip.distance} on {when}"
    if driving.leaves is not None and driving.returns is not None:
        yield f"away from {driving.leaves:%H:%M} to {driving.returns:%H:%M}"
    yield f"ready {driving.margin_minutes} min before"


def _rest_of_home(uses: Sequence[HomeUse]) -> Iterator[Restated]:
    if uses:
        yield Restated("rest of the home", listed([_use(use) for use in uses]))


def _roofs(generation: AppraisedGeneration | None) -> Iterator[Restated]:
    if generation is None:
        return
    weather = generation.weather
    source = f" ({weather.source})" if weather.source else ""
    gives = weather.yearly_kwh_per_kwp
    sun = "sun of each month" if gives is None else f"{gives:g} kWh per kWp in a year"
    peaks = listed([f"{roof.peak_kw:g} kW" for roof in generation.roofs])
    yield Restated("roofs", f"{peaks} at their peak; {sun}{source}")


def _use(use: HomeUse) -> str:
    hours = f" ({use.hours})" if use.hours is not None else ""
    return f"{use.kwh_per_day:g} kWh a day{hours}"


def _choice(choice: Choice) -> Iterator[str]:
    own = choice.charging_tariff
    yield _tariff(choice.tariff)
    if own is not None:
        yield f"charging on a meter of its own: {_tariff(own)}"
    yield _point(choice.charge_point)
    for name, point in choice.other_charge_points.items():
        yield f"{name}: {_point(point)}"
    if choice.amps_for_charging is not None:
        yield f"{choice.amps_for_charging:g} A for all charge points"
    if choice.kw_for_charging is not None:
        yield f"{choice.kw_for_charging:g} kW for all charge points"
    if not choice.has_roof:
        yield "no roof"
    yield PLANNERS[choice.planner]
    want = "" if choice.want_percent is None else f", want {choice.want_percent:g} %"
    most = "" if choice.max_rate is None else f" at {choice.max_rate} or less"
    yield f"need {choice.need_percent:g} %{want}{most}"
    times = {"leaves": choice.leaves, "returns": choice.returns}
    yield from (f"{what} at {at:%H:%M}" for what, at in times.items() if at is not None)
    if choice.outlay:
        yield f"outlay {choice.outlay}"


def _tariff(tariff: Tariff) -> str:
    if tariff.bands is not None:
        rates = listed([f"{band.name} {_rate(band)}" for band in tariff.bands])
    elif tariff.prices is not None:
        source = tariff.prices.file.name if tariff.prices.file is not None else "the bus"
        rates = f"prices of {source}"
    else:
        rates = listed([each.name for each in tariff.components or ()])
    parts = [rates]
    if tariff.standing_charge:
        parts.append(f"{tariff.standing_charge} a day")
    if tariff.tax_percent:
        parts.append(f"tax {tariff.tax_percent} % on top")
    return f"{tariff.name} ({', '.join(parts)})"


def _rate(band: object) -> str:
    rate = getattr(band, "rate", None)
    return "by tiers" if rate is None else str(rate)


def _point(point: ChargePoint) -> str:
    phases = f" on {point.phases} phases" if point.phases > 1 else ""
    what = "socket" if point.charging_mode == 2 else "charge point"  # noqa: PLR2004 - IEC 61851
    return f"{what} of {point.max_amps:g} A{phases}"
