"""Warn of implausible rates, probably in the wrong unit, and of unused bands."""

from __future__ import annotations

from decimal import Decimal
from math import log10
from typing import TYPE_CHECKING, NamedTuple

from config.tariffs.bands import band_table, drop_impossible_days
from config.tariffs.tariff import KindTariff
from planners.rates.composed_rates import series_in

if TYPE_CHECKING:
    from collections.abc import Iterator, Mapping, Sequence

    from config.household.household_file import HouseholdFile
    from config.tariffs.price_file import PriceFile
    from config.tariffs.tariff import Tariff
    from planners.rates.prices import Prices

_SCALES = {
    1: "AUD BAM BGN BYN CAD CHF EUR GBP GEL NZD SGD TND USD",
    10: "AED BRL CNY CZK DKK EGP GTQ HKD ILS MAD MDL MXN MYR NOK PEN PLN QAR RON SAR SEK THB"
    " TRY TWD UAH UYU ZAR",
    100: "ALL AMD ARS BDT HUF INR ISK JMD JPY KES KZT LKR MKD NPR PHP PKR RSD RUB",
    1000: "CLP COP CRC KRW NGN PYG TZS UGX XAF XOF",
    10_000: "IDR VND",
}
"""Currencies by what a kWh costs at home: tenths of the unit, units, tens, hundreds or thousands of
units. The orders of magnitude are from memory; a currency that is not here gets no caution."""

_MINOR_UNITS = {
    "cents": "AUD CAD EUR HKD KES NZD SGD USD ZAR",
    "centavos": "BRL MXN PHP",
    "centésimos": "UYU",
    "pence": "GBP",
    "Rappen": "CHF",
    "grosze": "PLN",
    "øre": "DKK NOK",
    "öre": "SEK",
    "paise": "INR",
}
_SCALE_OF = {code: scale for scale, codes in _SCALES.items() for code in codes.split()}
_MINOR_UNIT_OF = {code: name for name, codes in _MINOR_UNITS.items() for code in codes.split()}

_MOST, _LEAST = Decimal(2), Decimal("0.005")
"""Limits of a plausible rate, positive or negative [major units per kWh, times the scale]."""

_USUAL = Decimal("0.2")
"""A usual rate, to compare guesses with [major units per kWh, times the scale]."""

_NEAR = 4
"""A guess may be so many times a usual rate, or that part of it."""

_MOST_A_DAY = Decimal(10)
"""Up to this a standing charge is plausible [major units per day, times the scale]."""


class _Unit(NamedTuple):
    """A unit that may have been used by mistake, and how to correct a figure."""

    factor: Decimal
    rates_are: str
    if_prices_are: str


def known_rates(prices: Prices) -> dict[str, tuple[Decimal, ...]]:
    """List the known rates of each price series, for `tariff_cautions`.

    Parameters
    ----------
    prices : Prices
        The household's rates.

    Returns
    -------
    dict of str to tuple of Decimal
        By the name of the tariff, tax included [currency per kWh].
    """
    return {
        tariff.name: series.rates
        for meter in prices.meters
        for tariff, rates in zip(meter.tariffs, meter.rates, strict=True)
        if (series := series_in(rates)) is not None
    }


def tariff_cautions(
    file: HouseholdFile, series: Mapping[str, Sequence[Decimal]]
) -> tuple[str, ...]:
    """List implausible figures of the tariffs, and bands that are never used.

    Parameters
    ----------
    file : HouseholdFile
        The household.
    series : mapping of str to sequence of Decimal
        Rates known of each price series, by the name of the tariff, tax included
        [currency per kWh].

    Returns
    -------
    tuple of str
        Whole sentences, in the order of the file, each once.
    """
    currency = file.household.currency
    cautions: list[str] = []
    for tariff in file.tariffs:
        if (scale := _SCALE_OF.get(currency)) is not None:
            cautions += _of_standing_charge(tariff, currency, scale)
            for component in tariff.plain_components:
                cautions += _of_bands(
                    component.tariff, currency, scale, is_component=tariff.is_composed
                )
                known = series.get(tariff.name, ())
                cautions += _of_series(component.tariff, currency, scale, known)
        if (doubt := doubt_about_tax(tariff.tax_percent)) is not None:
            cautions.append(f"tax_percent of {tariff.name}: {doubt}")
        for component in tariff.plain_components:
            cautions += _of_unused_bands(component.tariff)
    return tuple(dict.fromkeys(cautions))


def doubt_about_rate(rate: Decimal, currency: str) -> str | None:
    """Doubt a rate that is probably in the wrong unit.

    Parameters
    ----------
    rate : Decimal
        Rate [currency per kWh].
    currency : str
        ISO 4217 code.

    Returns
    -------
    str or None
        A sentence; None if the rate is plausible, or the currency's usual rates are not known.
    """
    scale = _SCALE_OF.get(currency)
    if scale is None or _plausible(rate, scale):
        return None
    unit = _likely_unit(rate, currency, scale) if currency in _MINOR_UNIT_OF else None
    likely = rate * unit.factor if unit else None
    if likely is not None and _USUAL / _NEAR <= abs(likely) / scale <= _USUAL * _NEAR:
        return f"{_plain(rate)} {currency} per kWh? {_plain(likely)} is usual."
    # Without knowing its minor unit and usual rates, any figure may be wrong.
    return f"{_plain(rate)} {currency} per kWh? Check that it is for one kWh, and in {currency}."


def doubt_about_standing_charge(charge: Decimal, currency: str) -> str | None:
    """Doubt a standing charge a day, as `doubt_about_rate` does."""
    scale = _SCALE_OF.get(currency)
    if scale is None or charge <= _MOST_A_DAY * scale:
        return None
    guesses = _guesses_at_standing_charge(charge, currency).replace("if it is", "If it is")
    return f"{_plain(charge)} {currency} a day? {guesses}"


def doubt_about_tax(percent: Decimal) -> str | None:
    """Doubt a tax of less than one percent, which is probably a share of 1."""
    if not 0 < percent < 1:
        return None
    meant = _plain(percent * 100)
    return f"{_plain(percent)} % tax? {meant} % is written {meant}."


def _of_standing_charge(tariff: Tariff, currency: str, scale: int) -> Iterator[str]:
    charge = tariff.standing_charge
    if charge * tariff.tax_factor <= _MOST_A_DAY * scale:
        return
    yield (
        f"Standing charge {_plain(charge)} {currency} a day of {tariff.name} is implausible;"
        f" {_guesses_at_standing_charge(charge, currency)}"
    )


def _guesses_at_standing_charge(charge: Decimal, currency: str) -> str:
    monthly = _plain((charge * 12 / 365).quantize(Decimal("0.0001")))
    guess = f"if it is for a month, {monthly}?"
    if (minor := _MINOR_UNIT_OF.get(currency)) is not None:
        return f"if it is in {minor}, {_plain(charge / 100)}? {guess}"
    return guess


def _of_bands(tariff: Tariff, currency: str, scale: int, *, is_component: bool) -> Iterator[str]:
    """Check each rate of the bands; a levy among components may be as small as it likes."""
    for band in tariff.bands or ():
        rates = (tier.rate for tier in band.tiers or ()) if band.rate is None else (band.rate,)
        for rate in rates:
            taxed = rate * tariff.tax_factor
            if _plausible(taxed, scale) or (is_component and abs(taxed) < _LEAST * scale):
                continue
            unit = _likely_unit(taxed, currency, scale)
            guess = f"; {unit.rates_are}: {_plain(rate * unit.factor)}?" if unit else "."
            yield (
                f"Rate {_plain(rate)} {currency} per kWh in band {band.name} of {tariff.name} is"
                f" implausible{guess}"
            )


def _of_series(
    tariff: Tariff, currency: str, scale: int, rates: Sequence[Decimal]
) -> Iterator[str]:
    """Check the largest rate of a series only: small ones are common."""
    largest = max(rates, key=abs, default=Decimal(0))
    if tariff.prices is not None and not _plausible(largest, scale):
        yield (
            f"The largest rate known of {tariff.name}, {_plain(largest)} {currency} per kWh, is"
            f" implausible{_series_guess(tariff, tariff.prices, largest, currency, scale)}"
        )


def _series_guess(
    tariff: Tariff, prices: PriceFile, largest: Decimal, currency: str, scale: int
) -> str:
    for key, amount in (("add", prices.add), ("at_least", prices.at_least or Decimal(0))):
        taxed = amount * tariff.tax_factor
        if abs(taxed) > _MOST * scale and (unit := _likely_unit(taxed, currency, scale)):
            return f"; {unit.rates_are}: {key}: {_plain(amount * unit.factor)}?"
    unit = _likely_unit(largest, currency, scale)
    if unit is None:
        return "."
    multiply = prices.multiply * unit.factor
    if multiply == 1:
        return "; if its prices are per kWh already, leave out multiply."
    return f"; if its prices are {unit.if_prices_are}, multiply: {_plain(multiply)}."


def _of_unused_bands(tariff: Tariff) -> Iterator[str]:
    used = {
        places[place]
        for _kind, each, places in tariff.by_kind or (KindTariff("", tariff, _all_places(tariff)),)
        for place in range(len(places))
        if drop_impossible_days(band_table(each) == place, each).any()
    }
    for place, band in enumerate(tariff.bands or ()):
        if place not in used:
            yield (
                f"Band {band.name} of {tariff.name} is never used: the other bands name every hour."
            )


def _all_places(tariff: Tariff) -> tuple[int, ...]:
    return tuple(range(len(tariff.bands or ())))


def _plausible(taxed: Decimal, scale: int) -> bool:
    return not taxed or _LEAST * scale <= abs(taxed) <= _MOST * scale


def _likely_unit(taxed: Decimal, currency: str, scale: int) -> _Unit | None:
    """Find the unit in which a figure comes nearest to the usual cost of a kWh."""
    units = [
        _Unit(Decimal("0.001"), "rates are per kWh, not per MWh", "per MWh"),
        _Unit(Decimal(1000), "rates are per kWh, not per Wh", "per Wh"),
    ]
    if (minor := _MINOR_UNIT_OF.get(currency)) is not None:
        words = f"rates are in {currency}, not {minor}", f"in {minor}"
        units.append(_Unit(Decimal("0.01"), *words))
    possible = [unit for unit in units if _plausible(taxed * unit.factor, scale)]
    return min(
        possible,
        key=lambda unit: abs(log10(abs(taxed) * unit.factor / (_USUAL * scale))),
        default=None,
    )


def _plain(amount: Decimal) -> str:
    return f"{amount.normalize():f}"
