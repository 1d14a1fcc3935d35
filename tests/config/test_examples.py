"""The examples that Lullwatt ships are good, complete, and fit the schema."""

from __future__ import annotations

from importlib import resources
from itertools import pairwise
from pathlib import Path

import pytest

from config.choices.loading import load_choices
from config.files.price_series import load_prices
from config.household.loading import load_household

EXAMPLES = Path(str(resources.files("config"))) / "examples"
CHOICES = EXAMPLES / "choices.yaml"
TWO_CAR_CHOICES = EXAMPLES / "two-car-choices.yaml"
ROOF_CHOICES = EXAMPLES / "roof-choices.yaml"
LETTER = EXAMPLES / "letter.yaml"
FILES = sorted({*EXAMPLES.glob("*.yaml")} - {CHOICES, TWO_CAR_CHOICES, ROOF_CHOICES, LETTER})
"""The household files; choices files and a letter's words are no households."""


def test_there_are_examples() -> None:
    """Tariffs of common structures, two capacity charges, eight kinds of hardware, two cars."""
    assert [path.name for path in FILES] == [
        "announced-days.yaml",
        "carbon.yaml",
        "controlled-circuit.yaml",
        "day-ahead.yaml",
        "energy-only.yaml",
        "family-calendar.yaml",
        "fetched-day-ahead.yaml",
        "free-noon.yaml",
        "highest-hours.yaml",
        "kowhai.yaml",
        "market-and-network.yaml",
        "no-meter.yaml",
        "own-roof.yaml",
        "plug.yaml",
        "push-button.yaml",
        "quarter-hour-peaks.yaml",
        "relay.yaml",
        "seasons-and-weekends.yaml",
        "settable.yaml",
        "text-commands.yaml",
        "three-phases.yaml",
        "two-cars.yaml",
        "two-rates.yaml",
    ]


@pytest.mark.parametrize("path", FILES, ids=lambda path: path.name)
def test_examples_load(path: Path) -> None:
    """Every example is a good household, that of Kowhai Cottage."""
    assert load_household(path).household.name == "Kowhai Cottage"


def test_the_choices_of_two_cars() -> None:
    """They compare one charge point with two, behind a small and a larger supply."""
    file = load_choices(TWO_CAR_CHOICES)
    assert list(file.other_vehicles) == ["van"]
    assert [each.amps_for_charging for each in file.choices] == [None, 25, 48]
    assert [list(each.other_charge_points) for each in file.choices] == [[], ["van"], ["van"]]


def test_the_choices_of_a_roof() -> None:
    """They compare charging at night and by day, the home's own roofs among them."""
    file = load_choices(ROOF_CHOICES)
    assert file.generation is not None
    assert [each.has_roof for each in file.choices] == [False, True, True]
    assert [str(each.charge_point.plugged_in) for each in file.choices] == [
        "None",
        "21:00-07:00",
        "None",
    ]


def test_series_of_the_example() -> None:
    """The example's price series covers three whole days in its own steps."""
    prices = load_household(EXAMPLES / "day-ahead.yaml").tariffs[0].prices
    assert prices is not None
    assert prices.file is not None
    points = load_prices(prices.file)
    steps = {
        (after.start - before.start).total_seconds() / 60 for before, after in pairwise(points)
    }
    assert steps == {prices.step_minutes}
    assert len(points) == 3 * 48
