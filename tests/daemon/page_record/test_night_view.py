"""What the page says of a night in a reader's words, and of a month; the months are invented."""

from __future__ import annotations

import ast
from dataclasses import replace
from datetime import UTC, datetime
from decimal import Decimal
from pathlib import Path
from typing import TYPE_CHECKING

import daemon.why
from daemon.control import alerts
from daemon.night_log.carbon import NightCarbon
from daemon.page_record.month_view import month_view
from daemon.page_record.night_view import (
    CAUSE_WORDS,
    SAID_BY_FIGURES,
    carbon_sentences,
    night_view,
)
from tests.daemon.month.samples import SHORT, full_month
from tests.daemon.page.test_view import words
from tests.daemon.why.nights import LATER, Home
from tests.daemon.worlds import EVENING, HOUR, NOON

if TYPE_CHECKING:
    from collections.abc import Iterator

NOVEMBER = datetime(2026, 11, 29, tzinfo=UTC)


def test_a_night_with_a_charge(tmp_path: Path) -> None:
    """Figures, when and why then, and the account by price: nothing of it as the daemon writes."""
    home = Home(tmp_path)
    with home.place() as place:
        place.until(EVENING)
        place.plug_in(35.0)
        place.leave()
    view = night_view(home.why(), LATER, words())
    assert view.name == "driveway: hatchback"
    assert view.figures[:2] == ("hatchback: 26.0 kWh for $5.02.", "From 35% to 80%.")
    assert view.why == (
        "Has charged 9:00\u202fpm to 12:32\u202fam.",
        "It charged in the cheapest hours before the departure.",
    )
    [band] = view.bands
    assert (band.band, band.kwh, band.rate, band.cost) == ("night", "26.0 kWh", "$0.1932", "$5.02")


def test_a_night_without_one(tmp_path: Path) -> None:
    """It says why."""
    home = Home(tmp_path)
    with home.place(NOON - 25 * HOUR) as place:
        place.until(LATER, every=30 * (EVENING - EVENING + HOUR / 60))
    view = night_view(home.why(), LATER, words())
    assert view.why == ("No vehicle was plugged in.",)


def test_every_cause_has_words() -> None:
    """Whatever `lullwatt why` finds, the page says it in the reader's language."""
    assert set(_codes()) <= {*CAUSE_WORDS, *SAID_BY_FIGURES}


def _codes() -> Iterator[str]:
    """Yield the codes that causes are made with."""
    for path in Path(next(iter(daemon.why.__path__))).glob("*.py"):
        for call in ast.walk(ast.parse(path.read_text("utf-8"))):
            if isinstance(call, ast.Call) and getattr(call.func, "id", "") == "Cause":
                for part in ast.walk(call.args[0]):
                    if isinstance(part, ast.Constant) and isinstance(part.value, str):
                        yield part.value
                    elif isinstance(part, ast.Name) and part.id.isupper():
                        yield str(getattr(alerts, part.id))


def test_a_month() -> None:
    """By price and vehicle, the bill, and each night, the latest first; in the reader's money."""
    month = full_month()
    view = month_view(month, NOVEMBER, words())
    assert view.sentences[0] == f"{month.energy_wh / 1000:.1f} kWh for ${month.cost_rounded}."
    assert len(view.bands) == len(month.by_band)
    assert [vehicle for vehicle, *_ in view.vehicles] == ["hatchback", "van"]
    assert view.bill[-1] == ("Together", words().money(month.together, "NZD"))
    assert (view.nights[0].name, view.nights[-1].name) == ("Sat, 31 Oct", "Thu, 1 Oct")
    assert {night.night.day for night in view.nights if night.is_short} == {SHORT}
    assert view.bill[1][0] == "Standing charge"
    running = month_view(month, datetime(2026, 10, 20, tzinfo=UTC), words())
    assert running.bill[1][0] == "Standing charge, for the whole month"
    shown = str(view)
    assert "NZD" not in shown


def test_carbon_stands_beside_that_of_charging_at_once() -> None:
    """By which kind of intensity, and for how much of the energy it is uncertain."""
    carbon = NightCarbon("average", Decimal("1.26"), Decimal("2.5"), 500)
    month = full_month()
    counted = replace(month, nights=(replace(month.nights[0], carbon=carbon),))
    assert month_view(counted, NOVEMBER, words()).sentences[-3:] == (
        "It caused 1.3 kg of CO₂e, by the mean of the grid (average).",
        "Charging at once would have caused 2.5 kg.",
        "For 0.5 kWh the grid's carbon is estimated or not known.",
    )
    for other, sentence in (
        (NightCarbon("marginal", Decimal(2), None), "It caused 2.0 kg of CO₂e, by what more power"),
        (NightCarbon("average", None, None, 0, 9), "How much carbon the grid's power caused is"),
    ):
        (said,) = carbon_sentences(other, words())
        assert said.startswith(sentence)
