"""Rates that are the sum of components: each dated, with percentages on those that are named."""

from __future__ import annotations

from datetime import UTC, date, datetime, timedelta
from decimal import Decimal
from typing import TYPE_CHECKING, Any
from zoneinfo import ZoneInfo

import pytest
from hypothesis import given
from hypothesis import strategies as st

from config.files.errors import TariffError
from config.files.price_series import PricePoint
from planners.rates.prices import Prices, prices_of
from tests.planners.households import band, bands, household, series

if TYPE_CHECKING:
    from collections.abc import Sequence

OSLO = ZoneInfo("Europe/Oslo")
MIDNIGHT = datetime(2026, 3, 31, tzinfo=OSLO)
HOUR, DAY = timedelta(hours=1), timedelta(days=1)

MARKET = [
    PricePoint((MIDNIGHT - DAY + place * HOUR).astimezone(UTC), Decimal(place % 7) / 20)
    for place in range(96)
]
NETWORK = (
    band("network day", "0.36", hours=["06:00-22:00"], days=["mon", "tue", "wed", "thu", "fri"]),
    band("network night", "0.18"),
)


def component(name: str, **keys: object) -> dict[str, Any]:
    return {"name": name, **keys}


def flat(name: str, rate: str, **keys: object) -> dict[str, Any]:
    return component(name, rate=Decimal(rate), **keys)


def percentage(name: str, percent: str, **keys: object) -> dict[str, Any]:
    return {"name": name, "percent": Decimal(percent), **keys}


def composed(
    *components: dict[str, Any], points: Sequence[PricePoint] = (), **keys: object
) -> Prices:
    tariff = {"name": "Composed", "components": list(components), **keys}
    return prices_of(household("Europe/Oslo", [tariff]), {"Composed": points})


def rate_at(prices: Prices, instant: datetime) -> Decimal:
    return prices.rate_at(instant).rate


MARKET_PRICE = component("market", prices={"file": "prices.csv", "multiply": Decimal(2)})
NETWORK_FEE = component("network", bands=list(NETWORK))
LEVY = percentage("levy", "10", on=["network"])


def test_a_rate_is_the_sum_of_a_market_price_a_network_fee_and_a_tax() -> None:
    prices = composed(MARKET_PRICE, NETWORK_FEE, flat("energy tax", "0.07"), points=MARKET)
    at = MIDNIGHT + 5 * HOUR  # the 29th hour of the series: 29 % 7 = 1, at 0.05
    assert rate_at(prices, at) == Decimal("0.10") + Decimal("0.18") + Decimal("0.07")
    assert rate_at(prices, at + HOUR) == Decimal("0.20") + Decimal("0.36") + Decimal("0.07")


@pytest.mark.parametrize(
    ("percentages", "expected"),
    [
        ([percentage("VAT", "25")], "0.375"),  # on 0.20 + 0.10
        ([percentage("VAT", "25", on=["energy"])], "0.35"),
        ([LEVY, percentage("VAT", "25")], "0.3875"),
        (
            [percentage("levy", "10", on=["network"]), percentage("VAT", "25", on=["levy"])],
            "0.3125",
        ),
        ([percentage("discount", "-50", on=["energy"])], "0.20"),
        ([percentage("VAT", "25", months=[1, 2])], "0.30"),
        ([percentage("VAT", "25", months=[3])], "0.375"),
        ([percentage("VAT", "25", valid_to=date(2026, 3, 30))], "0.30"),
        ([percentage("VAT", "25", valid_to=date(2026, 3, 31))], "0.375"),
        ([percentage("VAT", "25", valid_from=date(2026, 4, 1))], "0.30"),
    ],
)
def test_a_percentage_is_on_what_it_names(percentages: list[dict[str, Any]], expected: str) -> None:
    parts = flat("energy", "0.20"), flat("network", "0.10")
    prices = composed(*parts, percentages=percentages)
    assert rate_at(prices, MIDNIGHT + 12 * HOUR) == Decimal(expected)


def test_tax_percent_is_short_for_a_percentage_on_everything() -> None:
    parts = flat("energy", "0.20"), flat("network", "0.10")
    short = composed(*parts, tax_percent=Decimal(25), standing_charge=Decimal(4))
    full = composed(*parts, percentages=[percentage("tax", "25")], standing_charge=Decimal(4))
    day = MIDNIGHT.date()
    assert rate_at(short, MIDNIGHT) == rate_at(full, MIDNIGHT) == Decimal("0.375")
    assert short.standing_charge(day) == full.standing_charge(day) == 5


def test_bands_may_have_a_tax_that_changes_by_date() -> None:
    taxes = [
        percentage("VAT", "19", valid_to=date(2026, 3, 31)),
        percentage("VAT", "7", valid_from=date(2026, 4, 1)),
    ]
    tariff = bands(*NETWORK, percentages=taxes, standing_charge=Decimal(1))
    prices = prices_of(household("Europe/Oslo", [tariff]), {})
    last = MIDNIGHT + 24 * HOUR - timedelta(minutes=1)
    assert rate_at(prices, last) == Decimal("0.18") * Decimal("1.19")
    assert rate_at(prices, last + timedelta(minutes=1)) == Decimal("0.18") * Decimal("1.07")
    days = (MIDNIGHT.date(), MIDNIGHT.date() + DAY)
    assert [prices.standing_charge(day) for day in days] == [Decimal("1.19"), Decimal("1.07")]


@pytest.mark.parametrize(
    ("on", "expected"), [(None, "1.25"), (["energy"], "1"), (["standing_charge"], "1.25")]
)
def test_a_percentage_is_on_the_standing_charge_unless_it_names_others(
    on: list[str] | None, expected: str
) -> None:
    vat = percentage("VAT", "25") | ({} if on is None else {"on": on})
    prices = composed(flat("energy", "0.20"), percentages=[vat], standing_charge=Decimal(1))
    assert prices.standing_charge(MIDNIGHT.date()) == Decimal(expected)


@pytest.mark.parametrize(
    ("day", "expected"),
    [
        (date(2026, 2, 10), "3.125"),  # (2 + 28 / 28 - 0.50) x 1.25
        (date(2026, 3, 31), "3.00403225806451612903"),  # (2 + 28 / 31 - 0.50) x 1.25
        (date(2026, 4, 1), "1.875"),  # (2 - 0.50) x 1.25
    ],
)
def test_fees_of_a_day_and_of_a_month_join_the_standing_charge(day: date, expected: str) -> None:
    fees = [
        {"name": "meter", "amount": Decimal(28), "per": "month", "valid_to": date(2026, 3, 31)},
        {"name": "bonus", "amount": Decimal("-0.50"), "per": "day"},
    ]
    prices = prices_of(
        household(
            "Europe/Oslo",
            [bands(*NETWORK, standing_charge=Decimal(2), fees=fees, tax_percent=Decimal(25))],
        ),
        {},
    )
    assert round(prices.standing_charge(day), 20) == round(Decimal(expected), 20)


@pytest.mark.parametrize(("year", "days"), [(2026, 365), (2028, 366)])
def test_the_days_of_a_year_share_its_fee(year: int, days: int) -> None:
    """A network's fixed fee of 4,602 kr a year is 5,753 with 25 % of tax, to the krona.

    Sandviken Energi, "Avgifter för effekt 35A-63A", a page of its site.
    """
    fees = [{"name": "fixed", "amount": Decimal(4602), "per": "year"}]
    tariff = bands(*NETWORK, fees=fees, tax_percent=Decimal(25))
    prices = prices_of(household("Europe/Stockholm", [tariff]), {})
    each = {prices.standing_charge(date(year, 1, 1) + n * DAY) for n in range(days)}
    assert [round(days * charge, 1) for charge in each] == [Decimal("5752.5")]


def test_a_component_begins_and_ends_at_local_midnight() -> None:
    old = flat("energy tax", "0.09", valid_to=date(2026, 3, 31))
    new = flat("energy tax", "0.07", valid_from=date(2026, 4, 1))
    prices = composed(flat("energy", "0.20"), old, new)
    spans = prices.spans(MIDNIGHT, MIDNIGHT + 2 * DAY)
    assert [(span.start, span.rate) for span in spans] == [
        (MIDNIGHT, Decimal("0.29")),
        (MIDNIGHT + DAY, Decimal("0.27")),
    ]


def test_a_day_without_any_component_is_an_error_that_names_it() -> None:
    prices = composed(flat("energy", "0.20", valid_to=date(2026, 3, 31)))
    with pytest.raises(TariffError, match="no component of Composed holds on 2026-04-01"):
        prices.spans(MIDNIGHT, MIDNIGHT + 2 * DAY)


def test_bands_that_hold_together_are_named_together() -> None:
    winter = band("winter", "0.3", hours=["00:00-24:00"], months=[1, 2, 3])
    season = component("supply", bands=[winter, band("summer", "0.2")])
    prices = composed(season, NETWORK_FEE, flat("energy tax", "0.07"))
    spans = prices.spans(MIDNIGHT, MIDNIGHT + 2 * DAY)
    assert [span.band for span in spans] == [
        "winter, network night",
        "winter, network day",
        "winter, network night",
        "summer, network night",
        "summer, network day",
        "summer, network night",
    ]


def test_what_is_estimated_is_the_market_price_and_not_the_fee_of_the_hour() -> None:
    prices = composed(MARKET_PRICE, NETWORK_FEE, points=MARKET)
    last = MARKET[-1].start + HOUR
    assert prices.known_until(MIDNIGHT) == last
    spans = [span for span in prices.spans(last, last + DAY) if span.estimated]
    assert spans[0].start == last
    alone = prices_of(household("Europe/Oslo", [series()]), {"Series": MARKET})
    for span in spans:
        market = 2 * alone.rate_at(span.start).rate
        fee = Decimal("0.36") if 6 <= span.start.astimezone(OSLO).hour < 22 else Decimal("0.18")
        assert span.rate == market + fee


def test_prices_are_needed_only_while_their_component_holds() -> None:
    market = {**MARKET_PRICE, "valid_to": date(2026, 3, 31)}
    prices = composed(market, NETWORK_FEE, points=MARKET)
    assert prices.known_until(MIDNIGHT) is None
    assert not any(span.estimated for span in prices.spans(MIDNIGHT, MIDNIGHT + 5 * DAY))


TIERS = [
    {"rate": Decimal("0.20"), "up_to_kwh": Decimal(100)},
    {"rate": Decimal("0.30")},
]
REDUCED = [
    {"percent": Decimal(6), "up_to_kwh": Decimal(150)},
    {"percent": Decimal(21)},
]


@pytest.mark.parametrize(
    ("usual_kwh", "expected"), [("50", "0.3180"), ("120", "0.4240"), ("200", "0.4840")]
)
def test_tiers_of_a_component_and_of_a_percentage_add_up(usual_kwh: str, expected: str) -> None:
    prices = composed(
        component("energy", tiers=TIERS),
        flat("network", "0.10"),
        percentages=[{"name": "VAT", "tiers": REDUCED}],
        tiers_per="month",
        usual_kwh=Decimal(usual_kwh),
    )
    span = prices.rate_at(MIDNIGHT)
    assert span.rate == Decimal(expected)
    assert span.tiers is not None
    assert span.tiers.ends_wh == (100_000, 150_000)
    assert span.tiers.rates == (Decimal("0.3180"), Decimal("0.4240"), Decimal("0.4840"))


def test_a_kwh_is_composed_as_a_bill_says() -> None:
    prices = composed(
        MARKET_PRICE,
        NETWORK_FEE,
        flat("energy tax", "0.07"),
        points=MARKET,
        percentages=[percentage("VAT", "25", on=["market", "network"])],
    )
    lines = prices.composition_at(MIDNIGHT + 7 * HOUR)  # 31 % 7 = 3, at 0.15
    assert [(line.name, line.amount, line.percent, line.band) for line in lines] == [
        ("market", Decimal("0.30"), None, ""),
        ("network", Decimal("0.36"), None, "network day"),
        ("energy tax", Decimal("0.07"), None, ""),
        ("VAT", Decimal("0.165"), 25, ""),
    ]
    assert sum(line.amount for line in lines) == rate_at(prices, MIDNIGHT + 7 * HOUR)


def test_the_composition_of_a_plain_tariff_is_its_band_and_its_tax() -> None:
    tariff = bands(*NETWORK, tax_percent=Decimal(15))
    prices = prices_of(household("Europe/Oslo", [tariff]), {})
    lines = prices.composition_at(MIDNIGHT)
    assert [(line.name, line.amount, line.percent, line.band) for line in lines] == [
        ("energy", Decimal("0.18"), None, "network night"),
        ("tax", Decimal("0.027"), 15, ""),
    ]


RATES = st.integers(-20, 40).map(lambda cents: Decimal(cents) / 100)
DATES = st.none() | st.dates(date(2026, 3, 28), date(2026, 4, 2))


@st.composite
def dated_rates(draw: st.DrawFn) -> tuple[Decimal, date | None, date | None]:
    """Draw a rate with its first and last date."""
    first, last = draw(DATES), draw(DATES)
    if first and last and last < first:
        first, last = last, first
    return draw(RATES), first, last


@given(
    rates=st.lists(dated_rates(), min_size=1, max_size=4),
    percents=st.lists(
        st.tuples(st.integers(-50, 100), st.sets(st.integers(0, 3)), DATES), max_size=3
    ),
)
def test_any_sum_equals_the_sum_reckoned_instant_by_instant(
    rates: Sequence[tuple[Decimal, date | None, date | None]],
    percents: Sequence[tuple[int, set[int], date | None]],
) -> None:
    """Days with a clock change, against arithmetic that knows no runs and no edges."""
    components = [
        flat(f"part {place}", str(rate), valid_from=first, valid_to=last)
        for place, (rate, first, last) in enumerate(rates)
    ]
    named = [
        [f"part {each}" for each in sorted(chosen) if each < len(rates)]
        for _, chosen, _ in percents
    ]
    shares = [
        percentage(f"share {place}", str(percent), valid_from=first, on=named[place] or None)
        for place, (percent, _, first) in enumerate(percents)
    ]
    prices = composed(flat("always", "0.10"), *components, percentages=shares or None)
    start = datetime(2026, 3, 28, 12, tzinfo=OSLO).astimezone(UTC)
    for span in prices.spans(start, start + 4 * DAY):
        for instant in (span.start, span.end - timedelta(minutes=1)):
            day = instant.astimezone(OSLO).date()
            lines = {"always": Decimal("0.10")}
            for place, (rate, first, last) in enumerate(rates):
                if (first or day) <= day <= (last or day):
                    lines[f"part {place}"] = rate
            for place, (percent, _, begins) in enumerate(percents):
                if (begins or day) <= day:
                    names = named[place] or list(lines)
                    base = sum((lines.get(name, Decimal(0)) for name in names), Decimal(0))
                    lines[f"share {place}"] = base * percent / 100
            assert span.rate == sum(lines.values())
