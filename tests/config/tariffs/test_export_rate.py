"""What export pays is declared as any rate is, and read as a tariff of its own without tax."""

from __future__ import annotations

from datetime import date
from decimal import Decimal
from pathlib import Path
from typing import Any

import pytest
from pydantic import ValidationError

from config.tariffs.tariff import Tariff
from planners.rates.prices import prices_of
from tests.config.cottage import edited, load_text
from tests.planners.households import band, bands, household
from tests.planners.planned import utc

BAND = {"name": "all", "rate": Decimal("0.3")}


def tariff(**keys: Any) -> Tariff:  # noqa: ANN401
    return Tariff.model_validate({"name": "t", "bands": [BAND], **keys})


def test_a_number_is_the_same_rate_at_all_hours() -> None:
    """Also 0 and below; without a rate, export pays 0."""
    for rate in (0.08, 0, -0.02):
        made = tariff(export_rate=rate)
        assert made == tariff(export_rate={"rate": rate})
        (only,) = made.export_tariff.bands or ()
        assert only.rate == Decimal(str(rate))
    (nothing,) = tariff().export_tariff.bands or ()
    assert nothing.rate == 0


def test_all_of_it_is_read_in_hundredths() -> None:
    """Bands, components and additions to prices, as the tariff's own rates."""
    cents = {"bands": [{**BAND, "rate": Decimal(30)}], "in_hundredths": True}
    for in_cents, in_units in (
        (8, 0.08),
        ({"bands": [{"name": "a", "rate": 5}]}, {"bands": [{"name": "a", "rate": 0.05}]}),
        ({"components": [{"name": "a", "rate": 5}]}, {"components": [{"name": "a", "rate": 0.05}]}),
    ):
        assert tariff(**cents, export_rate=in_cents) == tariff(export_rate=in_units)


def test_seasons_and_special_days_may_be_listed_there_alone(tmp_path: Path) -> None:
    """As in the tariff's own bands, and with the tariff's clock; the tax is not added."""
    sold = """clock: standard
    seasons: [{name: summer, weeks: ["40 to 13"]}]
    special_days: [{name: quiet, dates: [12-25]}]
    export_rate:
      bands:
        - {name: festive, rate: 0.02, days: [quiet], hours: ["00:00-24:00"]}
        - {name: sunny, rate: 0.05, months: [summer], hours: ["10:00-15:00"],
           days: [mon, tue, wed, thu, fri, sat, sun]}
        - {name: other, rate: 0.11}"""
    made = load_text(tmp_path, edited({"clock: wall": sold})).tariffs[0].export_tariff
    assert made.clock == "standard"
    assert made.tax_percent == 0
    assert [each.name for each in made.seasons or ()] == ["summer"]
    assert [each.name for each in made.special_days or ()] == ["quiet"]


def test_prices_need_a_series_to_follow() -> None:
    """Their own, or the tariff's."""
    with pytest.raises(ValidationError, match="the tariff itself has no price series"):
        tariff(export_rate={"prices": {}})
    series = {"bands": None, "prices": {"step_minutes": 60}}
    assert tariff(**series, export_rate={"prices": {}}).export_tariff.prices is not None


def test_each_tariff_pays_its_own_from_its_first_day() -> None:
    """Across the midnight between two of them."""
    file = household(
        tariffs=[
            bands(band("all"), name="old", export_rate=Decimal("0.20")),
            bands(band("all"), name="new", valid_from=date(2026, 12, 5)),
        ]
    ).model_copy(update={"generation": None})
    data = file.model_dump(exclude_unset=True) | {"generation": {"forecast": {}}}
    prices = prices_of(type(file).model_validate(data), {})
    assert prices.export is not None
    spans = prices.export.spans(utc("2026-12-04T10:00"), utc("2026-12-04T12:00"))
    assert [(span.tariff, span.rate) for span in spans] == [
        ("old", Decimal("0.20")),
        ("new", Decimal(0)),
    ]
    assert spans[0].end == utc("2026-12-04T11:00")
