"""The text of a month: costs of other rules, nights short for the departure."""

from __future__ import annotations

from dataclasses import replace
from datetime import timedelta
from decimal import Decimal

import pytest

from daemon.control.alerts import NO_POWER, OUT_OF_REACH
from daemon.month.rows import month_values
from daemon.month.sections import render_sections
from daemon.month.show_month import show_month
from daemon.month.wording import alerts_shown, difference_words, why_short
from daemon.night_log.carbon import NightCarbon
from daemon.night_log.month import AlertRow, BandSum, NightRow
from daemon.night_log.night_rows import nights_csv
from daemon.presentation.output import rich_text
from tests.daemon.month.samples import full_month


@pytest.mark.parametrize(
    ("extra", "currency", "words"),
    [
        ("3.98", "NZD", "NZD 3.98 more"),
        ("-3.98", "NZD", "NZD 3.98 less"),
        ("-0.005", "NZD", "the same"),
        ("-0.4", "JPY", "the same"),
    ],
)
def test_a_difference_has_no_minus_sign(extra: str, currency: str, words: str) -> None:
    """A rule costs more, less, or the same once rounded to the currency's minor unit."""
    assert difference_words(Decimal(extra), currency) == words


def test_other_rules_cost_more_or_less() -> None:
    """By the month's own sums; an unknown cost is called not known."""
    month = full_month()
    lines = [" ".join(line.split()) for line in rich_text(show_month(month), 100).splitlines()]
    assert f"at once would have cost NZD {month.saved_against_at_once:.2f} more" in lines
    assert "on a timer would have cost NZD 3.08 less" in lines
    assert "at the cheapest possible hours would have cost NZD 3.08 less" in lines
    unknown = replace(month, nights=tuple(replace(row, timer=None) for row in month.nights))
    text = " ".join(rich_text(show_month(unknown), 100).split())
    assert "on a timer not known" in text


def test_a_night_is_enough_or_short_for_the_departure() -> None:
    """One night of the sample is short; the text says why."""
    text = " ".join(rich_text(show_month(full_month()), 100).split())
    assert "39, 1 short for the departure, 1 partly estimated" in text
    assert "Fri 09 Oct, hatchback: It needed 60 % and had 48 %." in text


def test_a_price_series_has_one_line() -> None:
    """A hundred rates are one line with their range; the sums are the month's."""
    month = full_month()
    rates = [Decimal(100 + i) / 1000 for i in range(100)]
    sums = tuple(BandSum("price", rate, 137, rate * Decimal("0.137")) for rate in rates)
    night = replace(
        month.nights[0], by_band=sums, energy_wh=13700, cost=sum((s.cost for s in sums), Decimal(0))
    )
    text = rich_text(show_month(replace(month, nights=(night,))), 100)
    lines = [line.split() for line in text.splitlines() if line.startswith("price")]
    assert lines == [["price", "0.1000", "to", "0.1990", "13.70", f"{night.cost:.2f}"]]


def test_alerts_are_said_once_and_not_of_a_need_that_was_met() -> None:
    """What a short night's reason says is not listed again; the same words are listed once."""
    month = full_month()
    (short,), enough = month.nights_short, next(row for row in month.nights if row.need_met)

    def alert(row: NightRow, minutes: int, code: str, message: str) -> AlertRow:
        at = row.plugged_since + timedelta(minutes=minutes)
        return AlertRow(at, row.charge_point, code, message)

    alerts = (
        alert(enough, 5, OUT_OF_REACH, "1.0 kWh are missing."),
        *(alert(enough, 20 + i, NO_POWER, "No power flows.") for i in range(3)),
        alert(short, 5, OUT_OF_REACH, "A needs 60 % and will reach 48 %: 2.0 kWh are missing."),
        alert(short, 9, OUT_OF_REACH, "A needs 60 % and will reach 48 %: 3.0 kWh are missing."),
    )
    lacking = replace(short, stays=(replace(short.stays[0], missing_kwh=6.94),))
    nights = tuple(lacking if row is short else row for row in month.nights)
    month = replace(month, alerts=alerts, nights=nights)
    assert [(each.alert.message, each.again) for each in alerts_shown(month)] == [
        ("No power flows.", " (and 2 times more)"),
    ]
    assert why_short(month, lacking) == (
        "It needed 60 % and had 48 %: 6.9 kWh were missing. It was plugged in only at Sat 06:30,"
        " 0.8 hours before the departure."
    )
    silent = alert(short, 9, NO_POWER, "No power flows.")
    assert why_short(replace(month, alerts=(silent,)), lacking).endswith(
        " hours before the departure. No power flows."
    )
    text = " ".join(rich_text(show_month(month), 100).split())
    assert "no-power-after-start: No power flows. (and 2 times more)" in text
    assert text.count("6.9 kWh were missing.") == 1
    assert not any(kwh in text for kwh in ("1.0 kWh", "2.0 kWh", "3.0 kWh"))


def test_each_vehicle_has_a_line_if_there_are_several() -> None:
    """By hand: 10 and 5.005 kWh of one, 2.5 of the other; each is rounded by itself."""
    month = full_month()
    first = month.nights[0]
    nights = tuple(
        replace(first, vehicle=vehicle, energy_wh=wh, cost=Decimal(cost), need_met=met)
        for vehicle, wh, cost, met in (
            ("van", 10_000, "0.7422", True),
            ("hatchback", 2_500, "2.1431", True),
            ("van", 5_005, "0.5", False),
        )
    )
    two = replace(month, nights=nights)
    text = rich_text(show_month(two), 100)
    lines = [line.split() for line in text.splitlines()]
    at = lines.index(["vehicle", "nights", "short", "kWh", "cost"])
    assert lines[at + 1 : at + 3] == [
        ["hatchback", "1", "0", "2.50", "2.14"],
        ["van", "2", "1", "15.00", "1.24"],
    ]
    assert [(each["vehicle"], each["cost_exact"]) for each in month_values(two)["by_vehicle"]] == [
        ("hatchback", Decimal("2.1431")),
        ("van", Decimal("1.2422")),
    ]
    assert "3.39" in text, "the sum of all, rounded once, is a cent more"
    one = replace(month, nights=nights[:1])
    assert "vehicle" not in {line.split(" ")[0] for line in rich_text(show_month(one)).splitlines()}


def test_the_carbon_of_a_month_stands_beside_charging_at_once() -> None:
    """In the text, the page, JSON and the rows of nights; nothing of it without."""
    month = full_month()
    carbon = NightCarbon("average", Decimal("1.25"), Decimal("2.5"), 500)
    rows = tuple(replace(row, carbon=carbon) for row in month.nights[:4])
    counted = replace(month, nights=(*rows, *month.nights[4:5]))
    rest = f"{month.nights[4].energy_wh / 1000:.2f}"
    words = (
        "5.00 kg CO2e (average); charging at once would have caused 10.00 kg; 2.00 kWh of it at"
        f" estimated intensities; of {rest} kWh more it is not known"
    )
    assert words in " ".join(rich_text(show_month(counted), 200).split())
    assert words in render_sections(counted)
    (sums,) = month_values(counted)["carbon"]
    assert (sums["carbon_kg"], sums["at_once_carbon_kg"]) == (5, 10)
    night = month_values(counted)["per_night"][0]
    assert (night["carbon_kind"], night["carbon_kg"]) == ("average", Decimal("1.25"))
    first = nights_csv(counted.nights, "NZD").splitlines()[:2]
    row = dict(zip(*(line.split(",") for line in first), strict=True))
    assert (row["at_once_carbon_kg"], row["carbon_estimated_kwh"]) == ("2.5", "0.500")
    assert "CO2e" not in rich_text(show_month(month), 200) + render_sections(month)
