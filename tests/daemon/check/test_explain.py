"""What `lullwatt check` says about a household file."""

from __future__ import annotations

import subprocess
import sys
from decimal import Decimal
from pathlib import Path
from typing import TYPE_CHECKING, Any

import pytest

from config.doors.metrics import Metrics
from config.doors.page import Page
from config.files.price_series import PricePoint
from config.household.wiring import Wiring
from daemon.check.explain import COLUMNS, explain, explain_unwrapped
from daemon.control.state import House
from daemon.service.house_loading import load_house
from planners.rates.prices import prices_of
from tests.daemon.worlds import KOWHAI
from tests.planners.households import band, bands, series
from tests.planners.planned import EVERY_DAY, DemoHousehold, minutes, utc

if TYPE_CHECKING:
    from datetime import datetime

EVENING = utc("2026-06-03T06:30:00")


def shown(given: DemoHousehold, now: datetime = EVENING) -> list[str]:
    file = given.file()
    return list(explain_unwrapped(House(file, prices_of(file, given.series or {})), now))


def under(lines: list[str], title: str) -> list[str]:
    """Lines of the paragraph whose first line begins with a title, without it."""
    start = next(i for i, line in enumerate(lines) if line.startswith(title)) + 1
    rest = lines[start:]
    return [line.strip() for line in (rest[: rest.index("")] if "" in rest else rest)]


def test_tonights_bands_are_explained_with_tax() -> None:
    """Noon to noon by the household's clock; the standing charge of a day with tax."""
    lines = shown(DemoHousehold())
    assert "Tonight, Wed 03 Jun noon to noon, tax included:" in lines
    assert under(lines, "Tonight") == [
        "12:00 to 17:00  day        0.3508 NZD per kWh  (Three-band)",
        "17:00 to 21:00  peak       0.4738 NZD per kWh  (Three-band)",
        "21:00 to 07:00  night      0.1932 NZD per kWh  (Three-band)",
        "07:00 to 11:00  peak       0.4738 NZD per kWh  (Three-band)",
        "11:00 to 12:00  day        0.3508 NZD per kWh  (Three-band)",
        "Standing charge: NZD 2.18 a day.",
    ]


@pytest.mark.parametrize(
    ("zone", "now"),
    [
        ("Europe/London", "2026-03-28T20:00"),
        ("Europe/London", "2026-10-24T20:00"),
        ("Pacific/Chatham", "2026-04-04T06:00"),
        ("Australia/Lord_Howe", "2026-10-03T06:00"),
    ],
)
def test_bands_are_in_local_time_on_the_night_of_a_clock_change(zone: str, now: str) -> None:
    """Hours of the local clock, however many of them there are tonight."""
    tariff = bands(band("low", "0.07", hours=["00:30-05:30"]), band("high", "0.25"))
    lines = under(shown(DemoHousehold({"timezone": zone}, [tariff]), utc(now)), "Tonight")
    assert [line.split("  ")[:2] for line in lines] == [
        ["12:00 to 00:30", "high"],
        ["00:30 to 05:30", "low"],
        ["05:30 to 12:00", "high"],
    ]


@pytest.mark.parametrize(
    ("now", "expected"),
    [
        ("2026-01-10T20:00", "00:30 to 05:30"),
        ("2026-03-28T20:00", "00:30 to 06:30"),
        ("2026-06-10T20:00", "01:30 to 06:30"),
    ],
)
def test_a_meter_that_ignores_daylight_saving_is_explained_in_local_time(
    now: str, expected: str
) -> None:
    """`clock: standard` in London: an hour later in summer, from the clock change on."""
    tariff = bands(
        band("low", "0.07", hours=["00:30-05:30"]), band("high", "0.25"), clock="standard"
    )
    lines = under(
        shown(DemoHousehold({"timezone": "Europe/London"}, [tariff]), utc(now)), "Tonight"
    )
    assert [line[:14] for line in lines if " low " in line] == [expected]


def test_one_rate_all_day_without_a_standing_charge_is_one_line() -> None:
    """It is not from 12:00 to 12:00, and a charge of nothing is not mentioned again."""
    given = DemoHousehold(tariffs=[bands(band("all", "0.30"))])
    (line,) = under(shown(given), "Tonight")
    assert line.startswith("all day ")


def test_a_band_with_other_hours_on_weekends_is_named_and_doubted_once() -> None:
    """Two rows of one name and rate."""
    week, weekend = ["mon", "tue", "wed", "thu", "fri"], ["sat", "sun"]
    rows = [
        band("cheap", "19.8", hours=["00:00-06:00"], days=week),
        band("cheap", "19.8", hours=["00:00-24:00"], days=weekend),
    ]
    lines = shown(DemoHousehold(tariffs=[bands(*rows, band("other", "0.30"))]))
    assert sum(line.strip().startswith("cheap: ") for line in lines) == 1
    assert sum("Rate 19.8 NZD per kWh in band cheap" in line for line in lines) == 1


def test_estimated_prices_are_marked() -> None:
    """Rates without a published price are estimates, and marked as such."""
    first = utc("2026-06-02T00:00:00")
    points = [PricePoint(first + minutes(60 * i), Decimal("0.10")) for i in range(32)]
    lines = under(shown(DemoHousehold(tariffs=[series()], series={"Series": points})), "Tonight")
    assert lines[0].startswith("12:00 to 20:00  price")
    assert lines[0].endswith("(Series)")
    assert lines[1].startswith("20:00 to 12:00  price")
    assert lines[1].endswith("(Series) (estimated: not known)")


@pytest.mark.parametrize(
    ("point", "expected"),
    [
        (
            {"charging_mode": 3, "max_amps": 16.0, "phases": 3},
            "fixed equipment (mode 3), up to 16 A on 3 phases, 11.04 kW; its current can be set.",
        ),
        (
            {"charging_mode": 2, "max_amps": 8.0, "switching": "on_off"},
            "socket and in-cable box (mode 2), up to 8 A on 1 phase, 1.84 kW; switched on and off.",
        ),
    ],
)
def test_a_charge_point_is_explained_with_its_power(point: dict[str, Any], expected: str) -> None:
    """Kind, current, phases, kilowatts, and how it is switched."""
    assert under(shown(DemoHousehold(point=point)), "Charge points") == [f"driveway: {expected}"]


def test_a_usual_night_is_calculated() -> None:
    """From the charge it arrives with to the everyday limit: 23.1 kWh and 3 h 08 min."""
    (about, night) = under(shown(DemoHousehold(car={"arrives_with_percent": 40.0})), "Vehicles")
    assert about == (
        "hatchback at driveway: 52 kWh usable, everyday limit 80 %, charges at 32 A and 7.36 kW."
    )
    assert night == (
        "A usual night, 40 % to 80 %, takes 23.1 kWh at the meter and 3 h 08 min of charging."
    )


USUAL = {"days": ["mon", "tue"], "at": "07:40", "need_percent": 50.0}


@pytest.mark.parametrize(
    ("arrives", "wants", "expected"),
    [
        (40.0, {}, "A usual night, 40 % to 50 %, takes"),
        (40.0, {"want_percent": 70.0, "max_rate": Decimal("0.2")}, "A usual night, 40 % to 70 %,"),
        (60.0, {}, "A usual night buys nothing: it begins with 60 %, and the usual departure buys"),
    ],
)
def test_a_usual_night_ends_at_what_the_usual_departure_buys(
    arrives: float, wants: dict[str, Any], expected: str
) -> None:
    """The departure on most days counts, however much another one buys."""
    file = DemoHousehold(car={"arrives_with_percent": arrives}, leaves=USUAL | wants).file()
    trip = file.departures[0].model_copy(update={"days": ("sat",), "need_percent": 80.0})
    both = file.model_copy(update={"departures": (trip, *file.departures)})
    lines = list(explain_unwrapped(House(both, prices_of(both, {})), EVENING))
    assert under(lines, "Vehicles")[1].startswith(expected)


def test_a_usual_night_begins_with_what_the_usual_trip_leaves() -> None:
    """The trip's own use counts, not that of a usual day: 9 of 60 kWh are 15 %."""
    car = {"usable_kwh": 60.0, "daily_distance_km": 30.0, "kwh_per_100km": 18.0}
    leaves = USUAL | {"need_percent": 75.0, "uses_kwh": 9.0}
    (_, night) = under(shown(DemoHousehold(car=car, leaves=leaves)), "Vehicles")
    assert night.startswith("A usual night, 60 % to 75 %, takes 10.0 kWh at the meter")


def test_a_night_that_never_ends_is_explained() -> None:
    """A vehicle that loses more than it takes would not be full in a week."""
    given = DemoHousehold(
        point={"max_amps": 6.0}, car={"standby_watts": 1500.0, "arrives_with_percent": 40.0}
    )
    assert under(shown(given), "Vehicles")[1] == "From 40 % it would not reach 80 % in a week."


def test_departures_are_explained_with_the_next_one() -> None:
    """Days, time, need and want; then the next one, and when charging must finish."""
    leaves = {
        "days": ["mon", "thu"],
        "need_percent": 60.0,
        "want_percent": 90.0,
        "max_rate": Decimal("0.20"),
    }
    assert under(shown(DemoHousehold(leaves=leaves)), "Departures") == [
        "hatchback, mon thu at 07:20: 60 % at any price, 90 % where a kWh costs 0.20 NZD or less.",
        "hatchback next leaves on Thu 04 Jun at 07:20; charging must finish by 07:05.",
    ]


def test_a_program_for_alerts_that_cannot_be_run_is_cautioned(tmp_path: Path) -> None:
    """It is missing, or is no program."""
    program = tmp_path / "tell-me"
    given = DemoHousehold(home={"on_alert": (str(program),)})
    missing = f"- on_alert: there is no program {program}, so no alert would reach you."
    assert missing in under(shown(given), "Cautions:")
    program.write_text("#!/bin/sh\n")
    program.chmod(0o644)
    [caution] = [line for line in under(shown(given), "Cautions:") if "on_alert" in line]
    assert (
        caution == f"- on_alert: {program} can't be run by this user; its file may need chmod +x."
    )
    program.chmod(0o755)
    assert not [line for line in under(shown(given), "Cautions:") if "on_alert" in line]


def test_a_trip_beyond_the_battery_is_cautioned() -> None:
    """52 kWh are less than what 400 km take."""
    given = DemoHousehold(car={"kwh_per_100km": 17.0}, leaves={"uses_km": 400.0})
    assert (
        "- hatchback, mon tue wed thu fri sat sun at 07:20: the trip uses 68.0 kWh, more than the"
        " battery's 52 kWh: it must charge on the way."
    ) in under(shown(given), "Cautions:")


@pytest.mark.parametrize(
    ("car", "caution"),
    [
        ({"kwh_per_100km": 7.9}, "7.9 kWh per 100 km? Most cars take 12 to 30."),
        ({"kwh_per_100km": 61.0}, "61 kWh per 100 km? Most cars take 12 to 30."),
        ({"km_per_kwh": 1.6}, "1.6 km per kWh? Most cars go 3 to 8."),
        ({"miles_per_kwh": 8.0}, "8 miles per kWh? Most cars go 2 to 5."),
        ({"usable_kwh": 450.0}, "450 kWh in the battery? Most cars hold 20 to 120."),
        ({"usable_kwh": 2.9}, "2.9 kWh in the battery? Most cars hold 20 to 120."),
        ({"kwh_per_100km": 8.0}, None),
        ({"kwh_per_100km": 60.0, "usable_kwh": 250.0}, None),
        ({"usable_kwh": 3.0}, None),
    ],
)
def test_implausible_figures_of_a_vehicle_are_cautioned(
    car: dict[str, Any], caution: str | None
) -> None:
    """Each says what is usual; figures at the limits are accepted."""
    lines = under(shown(DemoHousehold(car=car)), "Cautions:")
    found = [line for line in lines if line.startswith("- hatchback: ")]
    assert found == ([] if caution is None else [f"- hatchback: {caution}"])


@pytest.mark.parametrize(
    ("percent", "doubted"), [("0.22", True), ("0.99", True), ("0", False), ("1", False)]
)
def test_a_tax_below_one_percent_is_cautioned(percent: str, doubted: bool) -> None:  # noqa: FBT001 - a table
    """22 % was probably meant."""
    tariff = bands(band("all", "0.25")) | {"tax_percent": Decimal(percent)}
    lines = under(shown(DemoHousehold(tariffs=[tariff])), "Cautions:")
    found = [line for line in lines if "tax_percent" in line]
    meant = f"{Decimal(percent) * 100:.0f}"
    expected = f"- tax_percent of Flat: {percent} % tax? {meant} % is written {meant}."
    assert [line.replace(str(tariff["name"]), "Flat") for line in found] == [expected] * doubted


def test_trips_are_explained() -> None:
    """When it is back and what the trip uses, and the very next return."""
    leaves = {"days": ["wed", "thu"], "need_percent": 80.0, "returns": "18:10", "uses_kwh": 7.4}
    assert under(shown(DemoHousehold(leaves=leaves)), "Departures") == [
        (
            "hatchback, wed thu at 07:20: 80 % at any price; back at 18:10;"
            " the trip uses 7.4 kWh (14 %) of the battery."
        ),
        (
            "hatchback next leaves on Thu 04 Jun at 07:20; charging must finish by 07:05;"
            " it is expected back on Thu 04 Jun at 18:10."
        ),
    ]


def test_a_return_on_the_next_day_is_explained() -> None:
    """At or before the time of leaving, it is the next day's."""
    lines = under(shown(DemoHousehold(leaves={"returns": "01:30"})), "Departures")
    assert "; back at 01:30 the next day." in lines[0]
    assert lines[1].endswith("back on Fri 05 Jun at 01:30.")


def test_a_return_by_plugged_in_hours_is_explained() -> None:
    """The charge point's hours replace a return that the row does not give."""
    lines = under(shown(DemoHousehold(point={"plugged_in": "18:30-07:30"})), "Departures")
    assert "back at" not in lines[0]
    assert lines[1].endswith("it is expected back on Thu 04 Jun at 18:30.")


def test_the_known_load_is_explained_with_what_it_leaves_tonight() -> None:
    """Each item, then the hours of tonight in which it leaves less than usual."""
    load = [
        {"amps": 40.0, "hours": ["17:00-21:00", "06:30-07:30"], "days": ["wed", "thu"]},
        {"amps": 20.0, "hours": ["18:00-19:00"], "months": [6, 7]},
    ]
    lines = shown(DemoHousehold({"main_fuse_amps": 63.0, "known_load": load}))
    title = "Known load of the rest of the home (main fuse: 63 A):"
    assert title in lines
    assert under(lines, title) == [
        "40 A from 17:00 to 21:00 and 06:30 to 07:30 on wed thu.",
        "20 A from 18:00 to 19:00 every day in Jun Jul.",
        "Tonight hatchback can charge at 23 A at most from 17:00 to 18:00.",
        "Tonight hatchback can't charge from 18:00 to 19:00.",
        "Tonight hatchback can charge at 23 A at most from 19:00 to 21:00.",
        "Tonight hatchback can charge at 23 A at most from 06:30 to 07:30.",
    ]


def test_special_days_of_the_household_are_explained() -> None:
    """What they are, when the next are, and the load that lists them."""
    home = {
        "special_days": [{"name": "feast", "dates": ["12-24"]}],
        "seasons": [{"name": "summer", "weeks": ["1 to 9"]}],
        "known_load": [
            {"amps": 9.0, "hours": ["17:00-21:00"], "days": ["feast"], "months": ["summer", 12]}
        ],
    }
    lines = shown(DemoHousehold(home))
    assert "  9 A from 17:00 to 21:00 on feast in summer Dec." in lines
    text = " ".join(lines)
    assert "Days of feast: 24 December. The next are Thursday 24 December 2026" in text
    assert "Season summer: weeks 1 to 9. It next begins on Monday 4 January 2027." in text


def test_a_known_load_that_takes_nothing_is_explained() -> None:
    """20 A beside 32 A are within 63 A; and without a known load it is not mentioned."""
    load = [{"amps": 20.0, "hours": ["17:00-21:00"]}]
    lines = under(shown(DemoHousehold({"known_load": load})), "Known load")
    assert lines[1:] == ["Tonight it leaves hatchback its full 32 A."]
    assert not [line for line in shown(DemoHousehold()) if "nown load" in line]


def test_a_vehicle_that_never_leaves_is_explained() -> None:
    """A single date that has passed plans nothing, and `check` says so."""
    given = DemoHousehold(leaves={"days": None, "date": utc("2026-05-01T00:00").date()})
    assert under(shown(given), "Departures")[-1] == (
        "hatchback has none within a year, so nothing will be planned for it."
    )


@pytest.mark.parametrize("days", [EVERY_DAY, ["sat", "sun"]])
def test_every_line_is_plain_text(days: list[str]) -> None:
    """No line contains a missing value or a number that is not one."""
    lines = shown(DemoHousehold(leaves={"days": days}))
    assert lines[0].startswith("Kowhai Cottage: Pacific/Auckland (time zone data 20")
    assert not [line for line in lines if "None" in line or "nan" in line or "Decimal" in line]


def test_the_bus_and_the_ledger_are_explained() -> None:
    """The topics of commands and of reports, and the ledger's file."""
    text = "\n".join(under(shown(DemoHousehold()), "The MQTT broker is mqtt://127.0.0.1:1883."))
    assert "driveway gets its commands on lullwatt/kowhai-cottage/driveway/command." in text
    assert "lullwatt/kowhai-cottage/driveway/reading" in text
    assert "ledger.sqlite3." in text


def test_the_morning_line_is_explained() -> None:
    """When it comes, and which program gets it; nothing without it."""
    home = {"on_alert": ["./tell-me"], "morning_line": "06:30"}
    line = shown(DemoHousehold(home))[1]
    assert line.startswith("Each day at 06:30 /")
    assert line.endswith("/tell-me gets a line on the night.")
    assert not any("gets a line" in line for line in shown(DemoHousehold()))


def test_cautions_come_last() -> None:
    """Design, section 10: `check` says that this switches a load for hours."""
    lines = shown(DemoHousehold())
    assert lines[-1].startswith("  - driveway: Software and MQTT are no protective device.")


def test_no_line_is_wider_than_a_terminal() -> None:
    """80 columns, with every word of the long lines kept in its order."""
    file = DemoHousehold({"known_load": [{"amps": 20.0, "hours": ["17:00-21:00"]}]}).file()
    house = House(file, prices_of(file, {}))
    lines, whole = list(explain(house, EVENING)), list(explain_unwrapped(house, EVENING))
    assert max(map(len, lines)) <= COLUMNS < max(map(len, whole))
    assert " ".join(lines).split() == " ".join(whole).split()
    assert [line for line in whole if len(line) <= COLUMNS and line not in lines] == []


@pytest.mark.parametrize("key", ["in_the_clear", "anonymous"])
def test_risks_that_the_file_accepts_are_repeated(key: str) -> None:
    """A broker that the file knowingly opens to strangers stays a caution."""
    file = DemoHousehold().file()
    meant = {"in_the_clear": "can be read and changed", "anonymous": "can switch the charging"}
    for each in ({}, {key: True}):
        bus = file.bus.model_copy(update=each)
        house = House(file.model_copy(update={"bus": bus}), prices_of(file, {}))
        lines = under(list(explain_unwrapped(house, EVENING)), "Cautions")
        assert any(meant[key] in line for line in lines) is bool(each)


def test_where_figures_go_is_explained() -> None:
    """Nothing if they are off; a caution if others may read them."""
    cases: list[tuple[Metrics | None, str, bool]] = [
        (None, "", False),
        (Metrics(file=Path("figures.prom")), "are written to figures.prom.", False),
        (
            Metrics(listen="127.0.0.1:9464"),
            "are served at http://127.0.0.1:9464/metrics.",
            False,
        ),
        (
            Metrics(listen="0.0.0.0:9464", in_the_clear=True),
            "are served at http://0.0.0.0:9464/metrics.",
            True,
        ),
    ]
    for metrics, words, others_read in cases:
        file = DemoHousehold().file().model_copy(update={"metrics": metrics})
        lines = list(explain_unwrapped(House(file, prices_of(file, {})), EVENING))
        figures = [line for line in lines if line.startswith("Figures for graphs")]
        assert figures == ([f"Figures for graphs {words}"] if words else [])
        caution = "can read when this home charges"
        assert any(caution in line for line in under(lines, "Cautions")) is others_read


@pytest.mark.parametrize("in_the_clear", [False, True])
def test_where_the_page_is_served_is_explained(in_the_clear: bool) -> None:  # noqa: FBT001
    """Nothing without one; a caution if others may read along."""
    listen = "192.168.1.10:8480" if in_the_clear else "127.0.0.1:8480"
    page = Page(listen=listen, in_the_clear=in_the_clear, devices_file=Path("devices.json"))
    file = DemoHousehold().file().model_copy(update={"page": page})
    lines = list(explain_unwrapped(House(file, prices_of(file, {})), EVENING))
    assert f"`lullwatt page` serves the page for phones at http://{listen}." in lines
    caution = "Whoever can read along in the network"
    assert any(caution in line for line in under(lines, "Cautions")) is in_the_clear


@pytest.mark.parametrize(
    ("example", "expected"),
    [
        (
            "plug",
            "its own format on carport/plug/set, repeated every 5 minutes.",
        ),
        ("plug", "If the daemon dies, the broker sends it the stop."),
        ("relay", "shed/meter/kilowatts"),
        ("settable", "Its commands carry no time limit."),
        ("text-commands", "It acknowledges each on garage/box/reply within 5 seconds"),
        ("text-commands", "Read with the unit behind the number: power, energy."),
        ("text-commands", "It is asked on garage/box/line every 30 seconds."),
        ("three-phases", "set, repeated every 20 seconds."),
        ("three-phases", "Its current is the highest of 3 values, once all have come."),
        ("three-phases", "While it is not, its values count for nothing"),
        ("push-button", "If the daemon dies while it charges, nothing stops it but you"),
        ("no-meter", "None of these values shows what flows"),
    ],
)
def test_wiring_is_explained_with_its_topics(example: str, expected: str) -> None:
    """Hardware's own topics are listed, with what keeps it safe."""
    path = KOWHAI.parent / f"{example}.yaml"
    text = " ".join(" ".join(explain(load_house(path), EVENING)).split())
    assert expected in text


@pytest.mark.parametrize(
    ("targets", "says"),
    [
        ({"need_percent": 50.0}, True),
        ({"need_percent": 80.0}, False),
        ({"need_percent": 50.0, "want_percent": 50.0}, False),
        ({"need_percent": 50.0, "max_rate": Decimal("0.20")}, False),
    ],
)
def test_departures_that_buy_less_than_before_are_named(
    targets: dict[str, object], says: object
) -> None:
    """Those without a want and a limit; a new household has no earlier version to compare with."""
    given = DemoHousehold(leaves={"days": ["sat", "sun"], "at": "10:00", **targets})
    text = "\n".join(shown(given))
    sentence = (
        "hatchback, sat sun at 10:00, is charged to 50 % only. To charge it to 80 %, add"
        " want_percent: 80."
    )
    assert (sentence in text) == says


def test_a_charge_point_without_a_share_of_the_fuse_is_explained() -> None:
    """Two relays of 16 A behind 20 A take turns, unless one of them can't be relied on."""
    given = DemoHousehold({"main_fuse_amps": 20.0}, point={"switching": "on_off", "max_amps": 16.0})
    file = given.file()
    second = file.vehicles["hatchback"].model_copy(update={"charge_point": "carport"})
    points = {**file.charge_points, "carport": file.charge_points["driveway"]}
    two = file.model_copy(
        update={"charge_points": points, "vehicles": {**file.vehicles, "van": second}}
    )
    said = list(explain_unwrapped(House(two, prices_of(two, {})), EVENING))
    assert "driveway and carport share the main fuse of 20 A." in said
    turns = (
        "  The lowest currents of all do not fit together, so they take turns: carport can charge"
        " only while another does not."
    )
    assert turns in said
    parts = "  While no joint plan holds, each has a fixed part: driveway 16 A and carport 0 A."
    assert parts in said
    lines = under(said, "Vehicles")
    alone = " charges at 16 A and 3.68 kW when it charges alone."
    assert [line.split(",")[2] for line in lines if "usable" in line] == [alone, alone]
    start, stop = ({"topic": f"plug/{each}", "text": each} for each in ("on", "off"))
    wiring = Wiring.model_validate({"tell": {"start": start, "stop": stop}})
    silent = points["carport"].model_copy(update={"wiring": wiring})
    fixed = two.model_copy(update={"charge_points": {**points, "carport": silent}})
    said = list(explain_unwrapped(House(fixed, prices_of(fixed, {})), EVENING))
    assert "  Each has a fixed part of it, because carport reports nothing." in said
    lines = under(said, "Vehicles")
    assert [line.split(",")[2] for line in lines if "usable" in line] == [
        " charges at 16 A and 3.68 kW.",
        " can't charge: the main fuse is too small for it beside the others.",
    ]
    hear = {"power": {"topic": "plug/power"}}
    wiring = Wiring.model_validate({"tell": {"start": start, "stop": stop}, "hear": hear})
    endless = points["carport"].model_copy(update={"wiring": wiring})
    fixed = two.model_copy(update={"charge_points": {**points, "carport": endless}})
    said = list(explain_unwrapped(House(fixed, prices_of(fixed, {})), EVENING))
    assert "  Each has a fixed part of it, because no start of carport has a time limit." in said


def test_explaining_needs_no_daemon() -> None:
    """`check` answers at once: it loads no log, no client of a broker, no planner and no solver."""
    heavy = {"structlog", "paho", "asyncio", "daemon.control.controller", "planners.solver.exact"}
    program = (
        "import sys; import daemon.check.explain, daemon.service.house_loading; "
        f"print(*sorted({heavy!r} & set(sys.modules)))"
    )
    done = subprocess.run(
        [sys.executable, "-c", program],
        cwd=Path(__file__).parents[3],
        capture_output=True,
        text=True,
        check=True,
    )
    assert done.stdout.split() == []
