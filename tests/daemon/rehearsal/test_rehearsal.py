"""Rehearsed nights: the real daemon, a broker, simulated hardware, virtual time."""

from __future__ import annotations

import json
import re
from bisect import bisect_right
from collections.abc import Callable
from contextlib import ExitStack
from datetime import UTC, datetime, timedelta
from decimal import Decimal
from importlib.resources import files
from pathlib import Path
from typing import Any
from zoneinfo import ZoneInfo

import pytest

from adapters.bus.events import MessageArrived
from adapters.ledger.ledger import open_ledger
from config.files.errors import UsageError
from daemon.rehearsal import set_up
from daemon.rehearsal.home import HomeNight
from daemon.rehearsal.rehearsal import Evening, Rehearsal, RehearsalResult
from daemon.rehearsal.set_up import rehearse_night
from daemon.service.household_watch import HouseholdWatch
from daemon.service.service import HandledEvent
from tests.support.brokers import Mosquitto, quick_broker
from tests.support.bus_contract import check_published

AUCKLAND = ZoneInfo("Pacific/Auckland")
TAX = Decimal("1.15")
NIGHT_FIELDS = {
    "night", "charge_point", "vehicle", "energy_kwh", "cost", "currency", "by_band",
    "soc_before_percent", "soc_after_percent", "need_met", "starts", "planned_cost",
    "estimated_kwh", "baselines",
}  # fmt: skip
"""Design, section 7."""


def rate_by_hand(instant: datetime) -> tuple[str, Decimal]:
    """Return the rate by the demo's three-band tariff, written out here again."""
    local = instant.astimezone(AUCKLAND)
    if local.hour >= 21 or local.hour < 7:
        return "night", Decimal("0.168") * TAX
    if local.weekday() < 5 and (7 <= local.hour < 11 or 17 <= local.hour < 21):
        return "peak", Decimal("0.412") * TAX
    return "day", Decimal("0.305") * TAX


class SecondAccountant:
    """Reads the same meter and prices it minute by minute; shares no code with the accounts."""

    def __init__(self) -> None:
        self._readings: dict[datetime, float] = {}

    def observe(self, handled: HandledEvent) -> None:
        if isinstance(handled.event, MessageArrived) and handled.event.topic.endswith("/reading"):
            reading = json.loads(handled.event.payload)
            self._readings[datetime.fromisoformat(reading["at"])] = reading["register_kwh"]

    def cost(self) -> Decimal:
        times = sorted(self._readings)
        total = Decimal(0)
        now = times[0].replace(second=0, microsecond=0)
        while now < times[-1]:
            following = now + timedelta(minutes=1)
            kwh = self._register(times, following) - self._register(times, now)
            total += Decimal(repr(kwh)) * rate_by_hand(now)[1]
            now = following
        return total

    def _register(self, times: list[datetime], instant: datetime) -> float:
        after = bisect_right(times, instant)
        if after == 0:
            return self._readings[times[0]]
        if after == len(times):
            return self._readings[times[-1]]
        before, next_one = times[after - 1], times[after]
        share = (instant - before) / (next_one - before)
        low, high = self._readings[before], self._readings[next_one]
        return low + share * (high - low)


Rehearse = Callable[..., tuple[RehearsalResult, SecondAccountant]]


def rehearsal_in(tmp_path: Path, mosquitto: Mosquitto) -> Rehearse:
    """Rehearse the demo household in a folder, some of its lines replaced."""

    def run(
        at: str, soc_percent: float, **replaced: str
    ) -> tuple[RehearsalResult, SecondAccountant]:
        text = files("config").joinpath("examples", "kowhai.yaml").read_text("utf-8")
        for line in replaced.values():
            old, new = line.split(" => ")
            assert old in text, old
            text = text.replace(old, new)
        path = tmp_path / "house.yaml"
        path.write_text(text, "utf-8")
        accountant = SecondAccountant()
        with ExitStack() as ending:
            ledger = ending.enter_context(open_ledger(tmp_path / "ledger.sqlite3"))
            evening = Evening("hatchback", datetime.fromisoformat(at).astimezone(UTC), soc_percent)
            rehearsal = Rehearsal(
                HouseholdWatch(path), ledger, mosquitto.bus, evening, accountant.observe
            )
            return rehearsal.run(), accountant

    return run


@pytest.fixture
def rehearse(quick_mosquitto: Mosquitto, tmp_path: Path) -> Rehearse:
    return rehearsal_in(tmp_path, quick_mosquitto)


@pytest.fixture(scope="module")
def demo(
    tmp_path_factory: pytest.TempPathFactory,
) -> tuple[RehearsalResult, SecondAccountant]:
    """Rehearse the night of the demo household that arrives with 35 %."""
    folder = tmp_path_factory.mktemp("demo")
    with quick_broker(folder / "mosquitto") as broker, check_published():
        return rehearsal_in(folder, broker)("2026-06-03T18:30:00+12:00", 35)


def switches(result: RehearsalResult) -> list[tuple[str, str]]:
    """List when starting and stopping changed."""
    found: list[tuple[str, str]] = []
    for command in result.commands:
        if not found or found[-1][1] != command["do"]:
            found.append((command["at"], command["do"]))
    return found


def night_of(result: RehearsalResult) -> dict[str, Any]:
    assert result.night is not None
    return result.night


def test_a_night_is_accounted_for_to_the_cent(
    demo: tuple[RehearsalResult, SecondAccountant],
) -> None:
    """The record has every field, and costs what a second accountant finds on the same meter."""
    result, accountant = demo
    night = night_of(result)
    assert set(night) >= NIGHT_FIELDS
    assert night["night"] == "2026-06-03"
    assert night["cost"] == round(accountant.cost(), 2)
    assert float(night["energy_kwh"]) == pytest.approx(result.register_kwh, abs=1e-9)
    assert night["soc_before_percent"] == 35
    assert night["soc_after_percent"] == pytest.approx(80, abs=0.2)
    assert switches(result)[1:] == [
        ("2026-06-03T09:00:00Z", "start"),
        ("2026-06-03T12:31:57Z", "stop"),
    ]


def test_a_long_charge_is_priced_across_bands(rehearse: Rehearse) -> None:
    """Energy that does not fit into the night is charged in the day band, at its rate."""
    result, accountant = rehearse(
        "2026-06-03T12:30:00+12:00", 5,
        need="need_percent: 60, want_percent: 80 => need_percent: 100, want_percent: 100",
        small="max_amps: 32\n    min_amps => max_amps: 16\n    min_amps",
    )  # fmt: skip
    night = night_of(result)
    assert {line["band"] for line in night["by_band"]} >= {"night", "day"}
    assert night["cost"] == round(accountant.cost(), 2)
    assert sum(line["cost"] for line in night["by_band"]) == pytest.approx(accountant.cost(), abs=1)
    assert night["cost"] <= night["baselines"]["at_once"]["cost"]


@pytest.mark.parametrize(
    ("at", "first_start", "last_stop"),
    [
        # Summer time ends on 5 April 2026, 03:00 (IANA): 21:00 is 08:00Z, that night's 07:00
        # 19:00Z. The departure on Sundays is at 10:00.
        ("2026-04-04T18:30:00+13:00", "2026-04-04T08:00:00Z", "2026-04-04T11:31:57Z"),
        # It begins on 27 September 2026, 02:00: 21:00 is 09:00Z.
        ("2026-09-26T18:30:00+12:00", "2026-09-26T09:00:00Z", "2026-09-26T12:31:57Z"),
    ],
)
def test_nights_on_which_the_clock_changes(
    rehearse: Rehearse, at: str, first_start: str, last_stop: str
) -> None:
    """The change neither moves a period nor repeats one."""
    result, accountant = rehearse(at, 35)
    assert switches(result)[1:] == [(first_start, "start"), (last_stop, "stop")]
    assert night_of(result)["cost"] == round(accountant.cost(), 2)


def test_too_little_time_for_the_departure(rehearse: Rehearse) -> None:
    """Charging runs from plug-in until the vehicle leaves, and the night says it fell short."""
    result, _ = rehearse(
        "2026-06-04T05:00:00+12:00", 10,
        need="need_percent: 60, want_percent: 80 => need_percent: 90, want_percent: 90",
    )  # fmt: skip
    assert result.plan is not None
    assert result.plan.shortfall is not None
    night = night_of(result)
    assert night["need_met"] is False
    assert switches(result) == [
        ("2026-06-03T17:00:00Z", "stop"),
        ("2026-06-03T17:00:00Z", "start"),
        ("2026-06-03T19:19:59Z", "stop"),
    ]
    # 2 h 20 min at 7.36 kW, less a second.
    assert result.register_kwh == pytest.approx(7.36 * (2 + 1 / 3), abs=0.003)


def test_another_vehicle_of_the_charge_point_is_rehearsed(tmp_path: Path) -> None:
    """Its battery, its need and its departure, not those of the point's first vehicle."""
    text = files("config").joinpath("examples", "kowhai.yaml").read_text("utf-8")
    van = (
        "\n  van: {charge_point: driveway, usable_kwh: 75, arrives_with_percent: 30}\n"
        "\ndepartures:\n"
        '  - {vehicle: van, days: [thu], at: "06:00", need_percent: 50}\n'
    )
    assert "\ndepartures:\n" in text
    path = tmp_path / "house.yaml"
    path.write_text(text.replace("\ndepartures:\n", van), "utf-8")
    at = datetime.fromisoformat("2026-06-03T22:00:00+12:00")
    result = rehearse_night(path, vehicle="van", soc_percent=30, at=at, say=lambda _line: None)
    night = night_of(result)
    assert (night["vehicle"], night["need_percent"]) == ("van", 50.0)
    assert night["departure"] == "2026-06-03T18:00:00Z"
    assert night["soc_after_percent"] == pytest.approx(50.0, abs=0.1)


def test_every_command_is_extended_before_it_expires(
    demo: tuple[RehearsalResult, SecondAccountant],
) -> None:
    """No start expires before the next command or outlasts the plan; serials only grow."""
    result, _ = demo
    end = datetime(2026, 6, 3, 12, 31, 58, tzinfo=UTC)
    for command, following in zip(result.commands, result.commands[1:], strict=False):
        assert following["serial"] > command["serial"]
        expires = datetime.fromisoformat(command["valid_until"])
        assert datetime.fromisoformat(following["at"]) <= expires
        assert command["do"] == "stop" or expires <= end


def test_a_vehicle_that_tapers_reaches_its_target(rehearse: Rehearse) -> None:
    """If power falls with the state of charge, Lullwatt plans again until the target is reached."""
    result, accountant = rehearse(
        "2026-06-03T18:30:00+12:00", 60,
        need="need_percent: 60, want_percent: 80 => need_percent: 100, want_percent: 100",
    )  # fmt: skip
    night = night_of(result)
    assert night["soc_after_percent"] == pytest.approx(100, abs=0.6)
    assert night["need_met"] is True
    assert night["cost"] == round(accountant.cost(), 2)


@pytest.mark.parametrize(
    ("old", "new", "step"),
    [
        (
            r"(?s)\ndepartures:\n.*?\nbus:", "\ndepartures: []\nbus:",
            "Nothing was planned. Add a departure of hatchback to the household file.",
        ),
        (
            r"(?s)    bands:\n.*?\ncharge_points:", "    prices: {}\n\ncharge_points:",
            ("Nothing was planned. Add prices for that night to the household's price file, or"
            " rehearse a night that its prices cover, with --at."),
        ),
    ],
)  # fmt: skip
def test_a_night_without_a_plan_names_the_next_step(
    tmp_path: Path, old: str, new: str, step: str
) -> None:
    """Without a departure or a price it says what to add, and does not fail."""
    text = files("config").joinpath("examples", "kowhai.yaml").read_text("utf-8")
    (tmp_path / "house.yaml").write_text(re.sub(old, new, text), "utf-8")
    lines: list[str] = []
    at = datetime(2026, 6, 3, 6, 30, tzinfo=UTC)
    rehearse_night(tmp_path / "house.yaml", vehicle=None, soc_percent=35, at=at, say=lines.append)
    assert lines[-1] == step


def test_a_weekend_is_rehearsed_up_to_its_departure(tmp_path: Path) -> None:
    """From Sunday, 11:00 to Monday: both nights are told, and no plan rests on an assumption."""
    text = files("config").joinpath("examples", "kowhai.yaml").read_text("utf-8")
    text = text.replace("min_amps: 6", 'min_amps: 6\n    plugged_in: "00:00-24:00"')
    text = re.sub(r"(?s)\ndepartures:\n.*?\nbus:", WORKDAYS, text)
    (tmp_path / "house.yaml").write_text(text, "utf-8")
    lines: list[str] = []
    at = datetime(2026, 6, 6, 23, tzinfo=UTC)
    result = rehearse_night(
        tmp_path / "house.yaml", vehicle=None, soc_percent=35, at=at, say=lines.append
    )
    first, second = result.nights
    assert (first["night"], second["night"]) == ("2026-06-06", "2026-06-07")
    assert (first["energy_kwh"], second["need_met"]) == (0, True)
    assert float(second["soc_after_percent"]) == pytest.approx(60, abs=0.5)
    said = [line for line in lines if line.startswith("Night of")]
    assert said[0].endswith("35 % to 35 %, no departure, starts: 0.")
    assert sum("plan: " in line for line in lines) == 1


WORKDAYS = """
departures:
  - {vehicle: hatchback, days: [mon, tue, wed, thu, fri], at: "07:20", need_percent: 60}
bus:"""


def test_two_vehicles_and_a_busy_home_stay_below_the_main_fuse() -> None:
    """The home's load lowers the charging, it is told in amperes, and both vehicles are ready."""
    lines: list[str] = []
    result = rehearse_night(
        None,
        vehicle=None,
        at=datetime.fromisoformat("2026-06-04T05:45:00+12:00"),
        socs={"hatchback": 77, "van": 69},
        with_home=True,
        say=lines.append,
    )
    # The heat pump's 11 A and the 1.3 A that are always on leave 27 of 40 A.
    told = "hatchback: the home draws 12.3 A; lowered from 32 A to 27 A"
    assert any(told in line for line in lines)
    home = result.home
    assert home is not None
    assert (home.changes[0].before_amps, home.changes[0].amps) == (32, 27)
    assert 39 < home.highest_with_charging_amps <= 40
    assert any(line.startswith("  It was lowered for ") for line in lines)
    assert f"lowered or stopped {_times(home)}." in lines[-1]
    assert night_of(result)["need_met"]
    assert night_of(result.beside["van"])["need_met"]
    assert not result.is_short
    assert result.to_json()["beside"]["van"]["register_kwh"] > 0


def _times(home: HomeNight) -> str:
    number = sum(each.amps < each.before_amps for each in home.changes)
    return "once" if number == 1 else f"{number} times"


@pytest.mark.parametrize(
    ("text", "given", "error"),
    [
        ("main_fuse_amps: 63", {"with_home": True}, "--home: expected main_fuse_amps"),
        ("", {"socs": {"truck": 30}}, "--soc: expected one of hatchback, got 'truck'"),
        ("", {"sky": "dull"}, "--sun: expected a household with roofs under generation"),
    ],
)
def test_what_can_not_be_rehearsed_is_refused(
    tmp_path: Path, text: str, given: dict[str, Any], error: str
) -> None:
    """A home needs a main fuse to share, a sky roofs, and a charge a vehicle of the file."""
    whole = files("config").joinpath("examples", "kowhai.yaml").read_text("utf-8")
    assert text in whole
    (tmp_path / "house.yaml").write_text(whole.replace(text, ""), "utf-8")
    with pytest.raises(UsageError, match=error):
        rehearse_night(
            tmp_path / "house.yaml", vehicle=None, at=None, say=lambda _line: None, **given
        )


class BrokerThatRuns:
    """Takes the place of the broker inside the rehearsal, where a night has many messages."""

    def __init__(self, broker: Mosquitto) -> None:
        self._broker = broker

    def start(self) -> int:
        return self._broker.port

    def stop(self) -> None:
        """Leave it to the fixture."""


def test_a_night_and_a_day_under_a_clear_sky(
    quick_mosquitto: Mosquitto, monkeypatch: pytest.MonkeyPatch
) -> None:
    """The example with a roof charges from it, and what comes from where adds up."""
    monkeypatch.setattr(set_up, "EmbeddedBroker", lambda: BrokerThatRuns(quick_mosquitto))
    lines: list[str] = []
    result = rehearse_night(None, vehicle=None, at=None, sky="clear", say=lines.append)
    sun, plan = result.sun, result.plan
    assert sun is not None
    assert plan is not None
    assert plan.roof_kwh > 0.95 * plan.energy_kwh
    assert not result.is_short
    assert sun.charged_kwh == pytest.approx(result.register_kwh, abs=0.02)
    assert 0.95 * sun.charged_kwh < sun.charged_from_roof_kwh <= sun.charged_kwh < sun.roof_kwh
    grid = sun.charged_kwh - sun.charged_from_roof_kwh
    from_roof = f"{sun.charged_from_roof_kwh:.1f}"
    assert lines[-1] == (
        f"The simulated roofs gave {sun.roof_kwh:.1f} kWh. Of the {sun.charged_kwh:.1f} kWh"
        f" charged, {from_roof} kWh came from them after the home's own use, and {grid:.1f} kWh"
        " from the grid."
    )
    assert result.to_json()["sun"]["sky"] == "clear"
    # The ledger's account, by a grid meter, agrees with what the simulation knows.
    nights = {night["night"]: night for night in result.nights}.values()
    lines_of = [line for night in nights for line in night["by_band"]]
    from_roof_kwh = sum(float(line["kwh"]) for line in lines_of if line["band"] == "roof")
    assert from_roof_kwh == pytest.approx(sun.charged_from_roof_kwh, abs=0.1)
    assert sum(float(line["kwh"]) for line in lines_of) == pytest.approx(result.register_kwh)
