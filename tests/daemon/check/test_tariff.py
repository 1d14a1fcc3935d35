"""What `lullwatt check` says of tariffs, in words that a householder recognises."""

from __future__ import annotations

from datetime import date, datetime
from decimal import Decimal
from functools import partial
from pathlib import Path
from typing import TYPE_CHECKING, Any

import pytest

from config.files.announcements import Announcement
from config.files.price_series import PricePoint
from daemon.check.explain import explain_unwrapped
from daemon.check.tariff import explain_tariffs, explain_tonight
from daemon.control.state import House
from daemon.fetching.last_time import LastTime, write_last_time
from planners.rates.prices import prices_of
from tests.planners.households import band, bands, series
from tests.planners.planned import EVERY_DAY, HERE, THREE_BANDS, DemoHousehold, minutes, utc

if TYPE_CHECKING:
    from collections.abc import Sequence

EVENING = "2026-06-03T06:30:00"
WORKDAYS = EVERY_DAY[:5]
ORDINARY = "Public holidays are treated as ordinary days: no band lists holiday."


def tariff_lines(
    *tariffs: dict[str, Any],
    now: str = EVENING,
    home: dict[str, Any] | None = None,
    points: Sequence[PricePoint] = (),
) -> list[str]:
    """Return the lines about the tariffs, without the two at the head."""
    file = DemoHousehold(home, tariffs).file()
    house = House(file, prices_of(file, {"Series": points}))
    return [line.strip() for line in explain_tariffs(house, utc(now))][2:]


def test_a_three_band_tariff_as_the_householder_knows_it() -> None:
    """Dates, standing charge, rate and hours of each band, totals, holidays, clock.

    The rates with tax are those of the papers to the last digit: 0.305 and 15 % are 0.35075.
    """
    assert tariff_lines(THREE_BANDS | {"valid_from": date(2026, 4, 1)}) == [
        "Three-band, from 1 April 2026, in force now:",
        "Standing charge: 2.185 NZD a day (1.9 before 15 % of tax).",
        "night: 0.1932 NZD per kWh (0.168 before 15 % of tax).",
        "21:00 to 07:00 every day. In total 70 of the 168 hours of a week.",
        "peak: 0.4738 NZD per kWh (0.412 before 15 % of tax).",
        (
            "07:00 to 11:00 and 17:00 to 21:00, Monday to Friday. In total 40 of the 168 hours of a"
            " week."
        ),
        "day: 0.35075 NZD per kWh (0.305 before 15 % of tax).",
        (
            "Every other hour: 11:00 to 17:00, Monday to Friday; 07:00 to 21:00, Saturday and"
            " Sunday. In total 58 of the 168 hours of a week."
        ),
        ORDINARY,
        (
            "The hours follow the local clock, which next changes on Sunday 27 September 2026,"
            " when 02:00 becomes 03:00."
        ),
    ]


def test_without_tax_and_standing_charge_neither_is_mentioned() -> None:
    """One rate at all hours, no tax, no charge."""
    assert tariff_lines(bands(band("all", "0.30")))[:4] == [
        "Bands, in force now:",
        "Standing charge: none.",
        "all: 0.3 NZD per kWh.",
        "At all hours. In total 168 of the 168 hours of a week.",
    ]


@pytest.mark.parametrize(
    ("now", "states"),
    [
        ("2026-02-01T00:00", ["not in force yet", "not in force yet"]),
        ("2026-05-31T11:59", ["in force now", "not in force yet"]),
        ("2026-05-31T12:00", ["no longer in force", "in force now"]),
    ],
)
def test_dated_tariffs_say_when_they_are_in_force(now: str, states: list[str]) -> None:
    """From its own date until the day before the next; midnight is the household's."""
    old = bands(band("all"), name="Old", valid_from=date(2026, 3, 1))
    new = bands(band("all"), name="New", valid_from=date(2026, 6, 1))
    heads = [line for line in tariff_lines(old, new, now=now) if line.startswith(("Old", "New"))]
    assert heads == [
        f"Old, from 1 March 2026, until 31 May 2026, {states[0]}:",
        f"New, from 1 June 2026, {states[1]}:",
    ]


def test_a_household_before_its_first_tariff_is_explained() -> None:
    """Nothing is in force, so tonight can't be planned; `check` says so and succeeds."""
    later = bands(band("all"), name="Later", valid_from=date(2026, 10, 1))
    assert tariff_lines(later)[:2] == [
        "None is in force yet: Later is the first.",
        "Later, from 1 October 2026, not in force yet:",
    ]
    file = DemoHousehold(tariffs=[later]).file()
    assert list(explain_tonight(House(file, prices_of(file, {})), utc(EVENING)))[1:] == [
        "Tonight, Wed 03 Jun noon to noon, tax included:",
        (
            "  It can't be planned: no tariff is in force on 2026-06-03: the first is valid from"
            " 2026-10-01."
        ),
    ]


@pytest.mark.parametrize(
    ("hour", "night"), [("05:59", "Sat 06 Jun"), ("06:00", "Sun 07 Jun"), ("11:30", "Sun 07 Jun")]
)
def test_on_a_morning_tonight_is_the_coming_night(hour: str, night: str) -> None:
    """Before six a person still means the night in progress. It is Sunday in Auckland."""
    file = DemoHousehold().file()
    now = datetime.fromisoformat(f"2026-06-07T{hour}:00+12:00")
    lines = list(explain_tonight(House(file, prices_of(file, {})), now))
    assert lines[1] == f"Tonight, {night} noon to noon, tax included:"


def test_months_are_named() -> None:
    """A summer band, and what is left of the year for the other."""
    tariff = bands(band("summer", hours=["07:00-21:00"], months=[12, 1, 2]), band("rest"))
    lines = tariff_lines(tariff)
    assert lines[3] == (
        "07:00 to 21:00 every day in December to February. In total 0 to 98 of the 168 hours of a"
        " week, by month."
    )
    assert lines[5] == (
        "Every other hour: 21:00 to 07:00 every day in December to February; at all hours in"
        " March to November. In total 70 to 168 of the 168 hours of a week, by month."
    )


def test_irregular_hours_are_summed_up() -> None:
    """More than six parts are not listed; their total is."""
    rows = [
        band(f"m{month}", hours=[f"{month:02d}:00-12:30"], months=[month]) for month in range(1, 9)
    ]
    lines = tariff_lines(bands(*rows, band("rest")))
    assert lines[lines.index("rest: 0.2 NZD per kWh.") + 1] == (
        "Every other hour: different hours by day and month. In total 87.5 to 168 of the 168 hours"
        " of a week, by month."
    )


def test_a_band_without_any_hours_is_explained() -> None:
    """It says that the band never applies."""
    lines = tariff_lines(bands(band("all", hours=["00:00-24:00"]), band("rest")))
    assert lines[5] == "Never: the other bands cover every hour."


def test_public_holidays_with_their_own_hours_name_the_next_two() -> None:
    """New Zealand, after 3 June 2026: Matariki on 10 July, Labour Day on 26 October.

    (Te Kahui o Matariki Public Holiday Act 2022, Schedule; the other from memory.)
    """
    tariff = bands(band("low", hours=["00:00-24:00"], days=["sun", "holiday"]), band("high"))
    lines = tariff_lines(tariff, home={"public_holidays": "NZ"})
    assert lines[3].startswith("All day, Sunday and public holidays. In total 24 of the 168")
    assert lines[6] == (
        "Public holidays of NZ have their own hours: the next are Friday 10 July 2026 and Monday"
        " 26 October 2026."
    )
    assert ORDINARY in tariff_lines(THREE_BANDS, home={"public_holidays": "NZ"})


@pytest.mark.parametrize(
    ("zone", "clock"),
    [
        (
            "Pacific/Auckland",
            [
                (
                    "The hours follow standard time, UTC+12, all year. The local clock next"
                    " changes on Sunday 27 September 2026, when 02:00 becomes 03:00."
                ),
                (
                    "In summer the local clock is 1 h ahead: by it, night is 22:00 to 08:00, peak"
                    " is 08:00 to 12:00 and 18:00 to 22:00, and the tariff's day begins at 01:00."
                ),
            ],
        ),
        (
            "Australia/Lord_Howe",
            [
                (
                    "The hours follow standard time, UTC+10:30, all year. The local clock next"
                    " changes on Sunday 4 October 2026, when 02:00 becomes 02:30."
                ),
                (
                    "In summer the local clock is 30 min ahead: by it, night is 21:30 to 07:30,"
                    " peak is 07:30 to 11:30 and 17:30 to 21:30, and the tariff's day begins at"
                    " 00:30."
                ),
            ],
        ),
        (
            # Put back for good on 20 September 2026.
            "Africa/Casablanca",
            [
                (
                    "The hours follow standard time, UTC+1, and UTC+0 from Sunday 20 September"
                    " 2026. The local clock next changes on Sunday 20 September 2026, when 02:00"
                    " becomes 01:00."
                ),
                "Ask your supplier whether the meter's clock changes on that day too.",
            ],
        ),
        (
            # Summer time became standard time on 1 November 2026.
            "America/Vancouver",
            [
                (
                    "The hours follow standard time, UTC-8, and UTC-7 from Sunday 1 November 2026."
                    " The local clock does not change in the coming year."
                ),
                "Ask your supplier whether the meter's clock changes on that day too.",
                (
                    "In summer the local clock is 1 h ahead: by it, night is 22:00 to 08:00, peak"
                    " is 08:00 to 12:00 and 18:00 to 22:00, and the tariff's day begins at 01:00."
                ),
            ],
        ),
        (
            # Winter time is the exception by law, and standard time for a meter.
            "Europe/Dublin",
            [
                (
                    "The hours follow standard time, UTC+0, all year. The local clock next"
                    " changes on Sunday 25 October 2026, when 02:00 becomes 01:00."
                ),
                (
                    "In summer the local clock is 1 h ahead: by it, night is 22:00 to 08:00, peak"
                    " is 08:00 to 12:00 and 18:00 to 22:00, and the tariff's day begins at 01:00."
                ),
            ],
        ),
        (
            "Asia/Kathmandu",
            [
                (
                    "The hours follow standard time, UTC+5:45, all year. The local clock does not"
                    " change in the coming year."
                )
            ],
        ),
    ],
)
def test_a_meter_that_ignores_summer_time_is_explained_by_the_local_clock(
    zone: str, clock: list[str]
) -> None:
    """Its summer hours by the local clock are 30 or 60 minutes later (IANA 2026f)."""
    lines = tariff_lines(THREE_BANDS | {"clock": "standard"}, home={"timezone": zone})
    assert lines[lines.index(ORDINARY) + 1 :] == clock


def test_a_clock_that_never_changes_is_explained() -> None:
    """In a zone without summer time there is no next change."""
    assert tariff_lines(THREE_BANDS, home={"timezone": "Asia/Kathmandu"})[-1] == (
        "The hours follow the local clock, which does not change in the coming year."
    )


def test_tiers_are_explained_with_their_limits() -> None:
    """Each tier with its rate, and how much the rest of the home is assumed to use."""
    tiers = [{"rate": Decimal("0.2"), "up_to_kwh": Decimal(8)}, {"rate": Decimal("0.3")}]
    tariff = bands(
        {"name": "all", "tiers": tiers},
        tiers_per="day", usual_kwh=Decimal("7.5"), tax_percent=Decimal(15),
    )  # fmt: skip
    assert tariff_lines(tariff)[2] == (
        "all: 0.23 NZD per kWh (0.2 before 15 % of tax) up to 8 kWh a day, then 0.345 NZD per"
        " kWh (0.3 before 15 % of tax). The rest of the home uses 7.5 kWh a day, and charging"
        " comes on top."
    )


def hourly(first: str, *rates: str) -> list[PricePoint]:
    return [PricePoint(utc(first) + minutes(60 * i), Decimal(rate)) for i, rate in enumerate(rates)]


def test_a_price_series_is_explained_from_price_to_rate() -> None:
    """Source, formula, step, how far prices are known, and estimates."""
    tariff = series(
        multiply=Decimal("0.001"), add=Decimal("0.115"), tax_percent=Decimal(15),
        standing_charge=Decimal(1),
    )  # fmt: skip
    tariff["prices"] |= {"at_least": Decimal(0), "at_most": Decimal("0.4")}
    points = [*hourly("2026-06-02T12:00", "10", "-200"), *hourly("2026-06-02T15:00", "500")]
    assert tariff_lines(tariff, points=points) == [
        "Series, in force now:",
        "Standing charge: 1.15 NZD a day (1 before 15 % of tax).",
        (
            f"Prices come from {HERE / 'prices.csv'}, and from messages on the topic"
            " lullwatt/kowhai-cottage/prices."
        ),
        (
            "Rate in NZD per kWh: the price, times 0.001, plus 0.115, but no less than 0, but no"
            " more than 0.4, and 15 % of tax on top."
        ),
        "Each price applies until the next one, and for 60 minutes at most.",
        (
            "Known from 3 June 2026 00:00 to 3 June 2026 04:00, with 1 gap: 0 to 0.46 NZD per kWh"
            " with tax."
        ),
        (
            "Unknown prices are estimated: the mean at the same time of day over the nearest 7 days"
            " that have one; if none has, the mean of the nearest 7 days of prices."
        ),
    ]


def test_a_series_from_the_bus_alone_is_explained() -> None:
    """No file, no step and no price yet, so tonight can't be planned."""
    tariff = {"name": "Series", "prices": {"add": Decimal("-0.01")}}
    assert tariff_lines(tariff)[2:6] == [
        "Prices come from messages on the topic lullwatt/kowhai-cottage/prices.",
        "Rate in NZD per kWh: the price, minus 0.01.",
        "Each price applies until the next one; a gap longer than its neighbours is a missing row.",
        "No price is known yet; nothing can be planned with this tariff until prices arrive.",
    ]
    file = DemoHousehold(tariffs=[tariff]).file()
    tonight = list(explain_tonight(House(file, prices_of(file, {})), utc(EVENING)))
    assert tonight[2].startswith("  It can't be planned: no prices of Series are known yet.")


def test_a_night_that_begins_before_the_first_price_is_shown() -> None:
    """The hours before it are estimated from those after it; the night can be planned."""
    file = DemoHousehold(tariffs=[{"name": "Series", "prices": {}}]).file()
    first = utc("2026-06-03T09:00:00")
    points = tuple(PricePoint(first + minutes(30 * each), Decimal("0.2")) for each in range(96))
    tonight = list(explain_tonight(House(file, prices_of(file, {"Series": points})), first))
    assert "(estimated" in tonight[2]
    assert not any("can't be planned" in line for line in tonight)


FETCH = {"url": "https://prices.example.org/{date}", "format": "xml"}


def fetched(folder: Path, **fetch: object) -> str:
    """Return the line on where prices are fetched from."""
    given = {key: value for key, value in {**FETCH, **fetch}.items() if value is not None}
    prices = {"file": folder / "prices.csv", "fetch": given}
    return tariff_lines({"name": "Series", "prices": prices})[3]


def test_where_prices_are_fetched_from_and_when(tmp_path: Path) -> None:
    """The address as the file has it; when prices were last written, and what went wrong since."""
    does = (
        "`lullwatt fetch-prices` writes that file from https://prices.example.org/{date}, as XML;"
    )
    assert fetched(tmp_path) == f"{does} it has not yet."
    last = LastTime(utc("2026-06-03T02:00:00"), utc("2026-06-02T01:30:00"), "It is down.")
    write_last_time(tmp_path / "prices.csv", last)
    assert fetched(tmp_path) == (
        f"{does} last on 2 June 2026 13:30. The last try, on 3 June 2026 14:00, failed: It is down."
    )


def test_of_a_private_address_only_the_host_is_shown(tmp_path: Path) -> None:
    """And not even that, if the file may not be read."""
    address = tmp_path / "address"
    private = partial(fetched, tmp_path, url=None, url_file=address)
    assert "from an address that only that command may read, as XML" in private()
    address.write_text("https://prices.example.org/house-4711/{date}")
    address.chmod(0o600)
    assert "writes that file from prices.example.org, as XML" in private()


def test_special_days_and_seasons_in_words() -> None:
    """When each holds, what it is made of, and when it is next."""
    tariff = bands(
        band("quiet", hours=["00:00-24:00"], days=["quiet"]),
        band("sun", hours=["11:00-15:00"], months=["summer"]),
        band("rest"),
        seasons=[{"name": "summer", "weeks": ["40 to 13"]}],
        special_days=[
            {"name": "quiet", "dates": ["12-24 to 12-26"], "easter": [-2]},
        ],
    )
    tariff["bands"][1]["days"] = EVERY_DAY
    lines = tariff_lines(tariff)[2:]
    assert lines.pop(-3).startswith("The hours follow the local clock")
    assert lines == [
        "quiet: 0.2 NZD per kWh.",
        "All day, quiet. In total 0 of the 168 hours of a week.",
        "sun: 0.2 NZD per kWh.",
        (
            "11:00 to 15:00, every day but quiet in summer. In total 0 to 28 of the 168 hours of a"
            " week, by season."
        ),
        "rest: 0.2 NZD per kWh.",
        (
            "Every other hour: all day, every day but quiet in the rest of the year; 00:00 to 11:00"
            " and 15:00 to 24:00, every day but quiet in summer. In total 140 to 168 of the 168"
            " hours of a week, by season."
        ),
        ORDINARY,
        "Season summer: weeks 40 to 13. It next begins on Monday 28 September 2026.",
        (
            "Days of quiet: 24 December to 26 December and Good Friday."
            " The next are Thursday 24 December 2026 and Friday 25 December 2026."
        ),
    ]


def test_announced_days_in_words() -> None:
    """Each kind with its bands and limits, what is announced, and what is assumed until then."""
    tariff = bands(
        band("usual", "0.10", kinds=["usual"]),
        band("costly", "0.50", kinds=["costly"]),
        announced={
            "kinds": [
                {"name": "usual"},
                {"name": "costly", "at_most": 22, "days": WORKDAYS, "months": [5, 6, 7]},
            ],
            "begins": "06:00",
            "season_begins": "05-01",
        },
    )
    file = DemoHousehold(None, (tariff,)).file()
    made = [Announcement(date(2026, 6, 3), "costly")]
    house = House(file, prices_of(file, {"Bands": made}))
    lines = [line.strip() for line in explain_tariffs(house, utc(EVENING))][4:]
    assert lines[:4] == [
        "On days of usual:",
        "usual: 0.1 NZD per kWh.",
        "At all hours. In total 168 of the 168 hours of a week.",
        "On days of costly:",
    ]
    assert lines[-5:] == [
        "Days of costly: at most 22 in a year from 1 May, Monday to Friday, in May to July.",
        "The supplier announces the kind of each day. Such a day begins at 06:00.",
        (
            "Until then, a day that may be of several kinds is taken for the dearest kind that it"
            " may be."
        ),
        (
            "Today is costly and tomorrow is not announced. Announced in the year to 3 June 2026:"
            " 0 usual and 1 costly."
        ),
        "Announcements come from the bus.",
    ]


def test_the_cheapest_hours_in_words() -> None:
    """What they cost, with and without tax, and what all others cost."""
    contract = {"hours": 4, "rate": Decimal("0.10"), "other_rate": Decimal("0.30")}
    tariff = {"name": "Series", "prices": {"cheapest_hours": contract}, "tax_percent": 10}
    lines = tariff_lines(tariff)
    assert (
        "The cheapest 4 hours of each day by price cost 0.11 NZD per kWh (0.1 before 10 % of tax);"
        " all other hours cost 0.33 NZD per kWh (0.3 before 10 % of tax)."
    ) in lines
    less = {"name": "Series", "prices": {"cheapest_hours": {"hours": 1, "add": Decimal("-0.05")}}}
    wanted = "The cheapest hour of each day by price costs 0.05 NZD per kWh less than that."
    assert wanted in tariff_lines(less)


def test_a_meter_and_a_circuit_of_a_charge_points_own() -> None:
    """Its tariffs stand apart, with what a kWh costs tonight; and what does not count for it."""
    home = bands(
        band("all", "0.30"),
        name="Home",
        capacity_charge={"rate_per_kw": Decimal(4), "interval_minutes": 15},
    )
    own = bands(band("controlled", "0.15"), name="Controlled", clock="standard")
    powered = [{"hours": ["22:00-07:00"]}]
    file = DemoHousehold(
        tariffs=(home, own), point={"tariff": "Controlled", "powered": powered}
    ).file()
    house = House(file, prices_of(file, {}))
    now = utc(EVENING)
    lines = [line.strip() for line in explain_tariffs(house, now)]
    apart = lines.index("Tariffs of the meter of driveway, tax included:")
    assert lines[apart + 1] == "Controlled, in force now:"
    assert "What driveway draws has a meter of its own, and does not count." in lines[:apart]
    tonight = [line.strip() for line in explain_tonight(house, now)]
    assert "Tonight at driveway, Wed 03 Jun noon to noon, tax included:" in tonight
    assert [line.split()[3] for line in tonight if "per kWh" in line] == ["0.3000", "0.1500"]
    text = "\n".join(explain_unwrapped(house, now))
    assert "It has a meter of its own, at Controlled." in text
    assert "Its circuit has power only 22:00 to 07:00 every day by standard time." in text
