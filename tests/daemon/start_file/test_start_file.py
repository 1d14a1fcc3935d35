"""`start-file` without a terminal: answers, their faults, the file written."""

from __future__ import annotations

import json
import os
from datetime import UTC, datetime
from decimal import Decimal
from pathlib import Path
from typing import TYPE_CHECKING

import pytest

from config.files.yaml_tree import read_yaml
from config.household.loading import load_household
from daemon.start_file.answers import check_answers
from daemon.start_file.guess import Guess, guess_home
from planners.rates.prices import prices_of
from tests.daemon.start_file.runs import KNOWN, with_known, without_terminal

if TYPE_CHECKING:
    from collections.abc import Callable

    from tests.support.commands import Ran

MIRO = b"name: Miro\ntariff: one_rate\nrate: 0.3\n"
EXAMPLE = Path(__file__).parents[3] / "config" / "examples" / "kowhai.yaml"


def write(folder: Path, text: str) -> str:
    (folder / "answers.yaml").write_text(text, "utf-8")
    return "answers.yaml"


def write_known(folder: Path, text: str) -> str:
    """Write answers together with those that have no default."""
    return write(folder, with_known(text))


# --- the file written --------------------------------------------------------------------------


def test_the_answers_that_nobody_can_guess_are_enough(
    run: Callable[..., Ran], tmp_path: Path
) -> None:
    """The household file passes `check`, and a night can be planned with it."""
    ran = run("start-file", "--answers", write_known(tmp_path, ""))
    assert (ran.code, ran.err) == (0, "")
    assert ran.out.splitlines()[1:] == [
        "  lullwatt check house.yaml", "  lullwatt rehearse house.yaml",
    ]  # fmt: skip
    checked = run("check", "house.yaml")
    assert (checked.code, checked.err) == (0, "")
    assert "licensed electrician" in checked.out
    planned = run("plan", "house.yaml", "--at", "2026-06-03T18:30:00Z")
    assert (planned.code, planned.err) == (0, "")
    assert "23:00" in planned.out


def test_answers_come_on_standard_input_too(tmp_path: Path) -> None:
    """With --answers -; the machine's time zone and its currency are the defaults."""
    ran = without_terminal(tmp_path, "--answers", "-", "--output", "miro home.yaml", given=MIRO)
    assert (ran.returncode, ran.stderr) == (0, b"")
    assert b"  lullwatt check 'miro home.yaml'\n" in ran.stdout
    home = load_household(tmp_path / "miro home.yaml").household
    assert (home.name, home.timezone, home.currency) == ("Miro", "Pacific/Auckland", "NZD")


def test_a_charge_point_and_one_rate(run: Callable[..., Ran], tmp_path: Path) -> None:
    """Fixed equipment, three phases, a broker elsewhere: each answer is in its place."""
    text = """
        timezone: Etc/UTC
        currency: EUR
        tariff: one_rate
        rate: 0.31
        outlet: charge_point
        amps: 16
        phases: 3
        chemistry: lfp
        consumption_unit: km_per_kwh
        consumption: 5.5
        departure_days: [sat]
        departs_at: 09:00
        broker: mqtts://shed.example
        username: "miro"
    """
    ran = run("start-file", "--answers", write(tmp_path, text))
    assert (ran.code, ran.err) == (0, "")
    assert ran.out.splitlines()[-1] == (
        "First put the broker's password into broker-password (chmod 600)."
    )
    file = load_household(tmp_path / "house.yaml")
    point, car = file.charge_points["outlet"], file.vehicles["car"]
    assert (point.charging_mode, point.switching, point.phases, point.max_amps) == (
        3, "current", 3, 16,
    )  # fmt: skip
    assert point.plugged_in is None
    assert (car.phases, car.km_per_kwh, car.limit_percent) == (3, 5.5, 100)
    assert file.bus.password_file == tmp_path / "broker-password"
    text = (tmp_path / "house.yaml").read_text("utf-8")
    assert "A fixed charge point needs its own circuit" in text


def test_keys_stand_in_the_order_of_the_example(run: Callable[..., Ran], tmp_path: Path) -> None:
    """Comments begin at the same column, so that both can be read side by side."""
    run("start-file", "--answers", write_known(tmp_path, "outlet: charge_point"))
    text = (tmp_path / "house.yaml").read_text("utf-8")
    written, example = (list(read_yaml(each).keys) for each in (text, EXAMPLE.read_text("utf-8")))
    for part in ("household", "tariffs", "charge_points", "vehicles", "bus"):
        ours, theirs = (
            list(dict.fromkeys(path[-1] for path in each if path[0] == part and len(path) > 1))
            for each in (written, example)
        )
        shared = [key for key in ours if key in theirs]
        assert shared == [key for key in theirs if key in shared], part
        assert shared, part
    assert [path for path in written if len(path) == 1] == [
        path for path in example if len(path) == 1
    ]
    commented = [line for line in text.splitlines() if " # " in line and "{" not in line]
    assert {line.rindex(" # ") for line in commented} == {35}
    assert len(commented) > 20
    assert max(map(len, text.splitlines())) <= 100


SEASONS = """
weekend: all
third_hours: [16:00-19:00]
third_rate: 0.4
season_months: [11, 12, 1, 2]
season_cheap_rate: 0.1
season_other_rate: 0.31
season_third_rate: 0.45
"""


MON_TO_FRI = SEASONS.replace("all", "same\nthird_days: mon_to_fri")


def rates_written(folder: Path, local: str) -> tuple[str, float]:
    """Return the band and rate of the file written, at a local time."""
    file = load_household(folder / "house.yaml")
    instant = datetime.fromisoformat(local).replace(tzinfo=file.zone)
    span = prices_of(file, {}).rate_at(instant.astimezone(UTC))
    return span.band, float(span.rate)


@pytest.mark.parametrize(
    ("local", "band", "rate"),
    [
        ("2026-06-03T02:00", "cheap", 0.15),
        ("2026-06-03T12:00", "other", 0.3),
        ("2026-06-03T17:00", "third", 0.4),
        ("2026-06-06T17:00", "cheap", 0.15),
        ("2026-12-02T02:00", "season cheap", 0.1),
        ("2026-12-02T12:00", "season other", 0.31),
        ("2026-12-02T17:00", "season third", 0.45),
        ("2026-12-05T17:00", "season cheap", 0.1),
    ],
)
def test_weekends_seasons_and_a_third_rate_are_in_their_hours(
    run: Callable[..., Ran], tmp_path: Path, local: str, band: str, rate: float
) -> None:
    """The weekend is cheap all day, and the winter has other rates."""
    ran = run("start-file", "--answers", write_known(tmp_path, SEASONS))
    assert (ran.code, ran.err) == (0, "")
    assert rates_written(tmp_path, local) == (band, rate)


@pytest.mark.parametrize(
    ("text", "expected"),
    [
        ("weekend: none", ("2026-06-06T02:00", "other", 0.3)),
        ("weekend: none", ("2026-06-05T02:00", "cheap", 0.15)),
        (SEASONS.replace("all", "none"), ("2026-12-05T17:00", "season other", 0.31)),
        (SEASONS.replace("all", "same"), ("2026-12-05T17:00", "season third", 0.45)),
        (MON_TO_FRI, ("2026-12-05T17:00", "season other", 0.31)),
        ("tariff: one_rate\nrate: 0.3\nseason_months: [6]\nseason_rate: 0.2",
         ("2026-06-05T02:00", "season all hours", 0.2)),
        ("tariff: one_rate\nrate: 0.3\nseason_months: [6]\nseason_rate: 0.2",
         ("2026-07-05T02:00", "all hours", 0.3)),
    ],
)  # fmt: skip
def test_the_weekend_and_the_season_follow_the_answers(
    run: Callable[..., Ran], tmp_path: Path, text: str, expected: tuple[str, str, float]
) -> None:
    """Each answer about days and months leads to the rate that it says."""
    if "one_rate" in text:
        answers = f"timezone: Etc/UTC\ncurrency: EUR\n{text}\n"
    else:
        answers = with_known(text)
    ran = run("start-file", "--answers", write(tmp_path, answers))
    assert (ran.code, ran.err) == (0, "")
    local, *rate = expected
    assert rates_written(tmp_path, local) == tuple(rate)


def test_a_price_series_can_be_chosen(run: Callable[..., Ran], tmp_path: Path) -> None:
    """As in the example of day-ahead prices; the file with the prices comes later."""
    text = (
        "timezone: Etc/UTC\ncurrency: EUR\ntariff: price_series\nprice_unit: per_mwh\n"
        "price_add: 0.115\nstanding_charge: 0.9\n"
    )
    ran = run("start-file", "--answers", write(tmp_path, text))
    assert (ran.code, ran.err) == (0, "")
    assert "First put the prices into prices.csv, with the columns start and rate." in ran.out
    tariff = load_household(tmp_path / "house.yaml").tariffs[0]
    assert tariff.prices is not None
    assert tariff.prices.file == tmp_path / "prices.csv"
    assert (float(tariff.prices.multiply), float(tariff.prices.add)) == (0.001, 0.115)
    assert float(tariff.standing_charge) == 0.9
    rows = "start,rate\n2026-06-03T00:00:00Z,96.1\n2026-06-03T00:30:00Z,90.4\n"
    (tmp_path / "prices.csv").write_text(rows, "utf-8")
    ran = run("tariff", "house.yaml", "--from", "2026-06-03", "--days", "1", "--json")
    assert [each["rate"] for each in json.loads(ran.out)["rates"]][:2] == [0.2111, 0.2054]


def test_prices_may_come_over_the_bus(run: Callable[..., Ran], tmp_path: Path) -> None:
    """Then the household names no file."""
    text = (
        "timezone: Etc/UTC\ncurrency: EUR\ntariff: price_series\nprice_unit: per_kwh\n"
        "price_add: 0\nprice_file: none\n"
    )
    ran = run("start-file", "--answers", write(tmp_path, text))
    assert (ran.code, ran.err) == (0, "")
    assert "First put" not in ran.out
    prices = load_household(tmp_path / "house.yaml").tariffs[0].prices
    assert prices is not None
    assert prices.file is None


def test_a_socket_loses_more_and_a_relay_switches_seldom(
    run: Callable[..., Ran], tmp_path: Path
) -> None:
    """Efficiency 85 % at a socket, 90 % at a charge point; a relay stays on, and off, a while."""
    run("start-file", "--answers", write_known(tmp_path, ""))
    file = load_household(tmp_path / "house.yaml")
    point = file.charge_points["outlet"]
    assert (point.min_run_minutes, point.min_rest_minutes) == (15, 5)
    assert file.vehicles["car"].charging_efficiency_percent == 85
    run("start-file", "--overwrite", "--answers", write_known(tmp_path, "outlet: charge_point"))
    file = load_household(tmp_path / "house.yaml")
    point = file.charge_points["outlet"]
    assert (point.min_run_minutes, point.rest_minutes) == (0, 0)
    assert file.vehicles["car"].charging_efficiency_percent == 90


@pytest.mark.parametrize(("name", "topic"), [("Haus Müller", "haus-mueller"), ("7", '"7"')])
def test_the_topic_reads_like_the_name(
    run: Callable[..., Ran], tmp_path: Path, name: str, topic: str
) -> None:
    """The file says which level the home has in all topics."""
    run("start-file", "--answers", write_known(tmp_path, f'name: "{name}"'))
    assert f"  topic: {topic} " in (tmp_path / "house.yaml").read_text("utf-8")
    assert load_household(tmp_path / "house.yaml").household.topic_level == topic.strip('"')


# --- what is refused ---------------------------------------------------------------------------

FAULTS = {
    "amps: 16": "1:7: amps: expected 10 A or less in charging mode 2, got 16; more for hours needs "
    "circuit_checked_by_electrician: true, once an electrician has checked the socket and its "
    "circuit",
    "amps: 5": "1:7: amps: expected at least min_amps (6 A unless set), got 5",
    "amps: ten": '1:7: amps: expected a current from 1 to 80 A, got "ten"',
    "amps:": "1:6: amps: expected a current from 1 to 80 A, got nothing",
    "nmae: x": '1:1: unknown key "nmae"; did you mean "name"?',
    "rate: 0.2": "1:1: rate: expected only with tariff: one_rate",
    "tariff: [1]": "1:9: tariff: expected cheap_hours, one_rate or price_series, got [1]",
    "currency: NZD\ncheap_rate: twelve": "2:13: cheap_rate: expected a number of NZD per kWh, "
    'got "twelve"',
    "cheap_hours: 21-7": '1:14: cheap_hours: expected a list, got "21-7"; write ["21:00-07:00"]',
    "departs_at: 25:00": '1:13: departs_at: expected a time of the local clock such as "07:20", '
    'got "25:00"',
    "departure_days: [mon, mon]": "1:23: departure_days[1]: expected each entry once, got mon "
    "again",
    "need_percent: 0.8": "1:15: need_percent: expected a percentage from 0 to 100 (80 means 80 %), "
    "got 0.8",
    "consumption: 0.2": "1:14: consumption: expected an energy from 0.5 to 300 kWh per 100 km, "
    "got 0.2",
    "broker: mqtt://shed.example": "1:9: broker: expected mqtts:// for a broker beyond this "
    "machine, got mqtt://, which others on the way can read and change; if that is meant, say "
    "in_the_clear: true",
    'name: "a\\nb"': "1:7: name: expected a text of printable characters in one line, got U+000A "
    "in it",
    "- name": '1:1: expected answers with their keys, such as name: My home; got ["name"]',
    "name: {": "1:8: not valid YAML: ",
    "weekend: sometimes": '1:10: weekend: expected same, all or none, got "sometimes"',
    "third_hours: [06:00-08:00]\nthird_rate: 0.4": "1:14: third_hours: bands "
    '"cheap" and "third" overlap on Saturday 2028-01-01 at 06:00',
    "season_months: [13]\nseason_cheap_rate: 0.1\nseason_other_rate: 0.2": "1:17: "
    "season_months[0]: expected a month from 1 to 12 or jan to dec, or the name of one of seasons,"
    " got 13",
    "season_months: [1, 1]\nseason_cheap_rate: 0.1\nseason_other_rate: 0.2": "1:20: "
    "season_months[1]: expected each entry once, got 1 again",
    "season_months: [1, 2, 3, 4, 5, 6, 7, 8, 9, 10, 11, 12]\nseason_cheap_rate: 0.1\n"
    "season_other_rate: 0.2": "1:16: season_months: expected months that leave some others",
    "third_rate: 0.4": "1:1: third_rate: expected only with third_hours",
}
UNREADABLE = ("- name", "name: {")


@pytest.mark.parametrize("text", FAULTS, ids=lambda text: text.partition(":")[0] + f"{len(text)}")
def test_a_fault_is_named_with_its_place(
    run: Callable[..., Ran], tmp_path: Path, text: str
) -> None:
    """In the words of the household file, at the answer's place; nothing is written."""
    answers = text if text in UNREADABLE else with_known(text)
    ran = run("start-file", "--answers", write(tmp_path, answers))
    assert (ran.code, ran.out) == (2, "")
    assert ran.err.startswith(f"answers.yaml:{FAULTS[text]}")
    assert len(ran.err.splitlines()) == 1
    assert [path.name for path in tmp_path.iterdir()] == ["answers.yaml"]


@pytest.mark.parametrize("key", KNOWN)
def test_what_nobody_can_guess_is_asked_for(tmp_path: Path, key: str) -> None:
    """On a machine that stands in no country, a file without such an answer is refused."""
    text = "".join(f"{each}: {value}\n" for each, value in KNOWN.items() if each != key)
    ran = without_terminal(tmp_path, "--answers", "-", given=text.encode(), TZ="Etc/UTC")
    assert (ran.returncode, ran.stdout) == (2, b"")
    [line] = ran.stderr.decode().splitlines()
    assert line.startswith(f'standard input:1:1: missing key "{key}"; expected the answer to: ')
    assert list(tmp_path.iterdir()) == []


def test_a_rate_in_the_wrong_unit_is_doubted(run: Callable[..., Ran], tmp_path: Path) -> None:
    """With its place; no file is written until the answers are confirmed."""
    text = "currency: GBP\ncheap_rate: 26.2\nstanding_charge: 53.4"
    ran = run("start-file", "--answers", write_known(tmp_path, text))
    assert ran.code == 2
    assert not (tmp_path / "house.yaml").exists()
    assert ran.err.splitlines() == [
        (
            "answers.yaml:2:13: cheap_rate: 26.2 GBP per kWh? 0.262 is usual."
            " If it is right, add cheap_rate to the list confirmed."
        ),
        (
            "answers.yaml:3:18: standing_charge: 53.4 GBP a day? If it is in pence, 0.534? If it is"
            " for a month, 1.7556? If it is right, add standing_charge to the list confirmed."
        ),
    ]
    text += "\nconfirmed: [cheap_rate, standing_charge]"
    ran = run("start-file", "--answers", write_known(tmp_path, text))
    assert (ran.code, ran.err) == (0, "")
    assert (tmp_path / "house.yaml").exists()


def test_a_rate_in_a_currency_without_a_known_minor_unit_is_not_guessed_at(
    run: Callable[..., Ran], tmp_path: Path
) -> None:
    """The program does not know in which unit 210 lira are."""
    ran = run("start-file", "--answers", write_known(tmp_path, "currency: TRY\ncheap_rate: 210"))
    assert ran.err.splitlines() == [
        (
            "answers.yaml:2:13: cheap_rate: 210 TRY per kWh? Check that it is for one kWh, and in"
            " TRY. If it is right, add cheap_rate to the list confirmed."
        )
    ]


def test_an_implausible_use_and_a_day_beyond_the_battery_are_doubted(
    run: Callable[..., Ran], tmp_path: Path
) -> None:
    """With their places."""
    text = "consumption: 180\ndaily_distance_km: 40\nbattery_kwh: 50"
    ran = run("start-file", "--answers", write_known(tmp_path, text))
    assert ran.err.splitlines() == [
        (
            "answers.yaml:1:14: consumption: 180 kWh per 100 km? Most cars take 12 to 30."
            " If it is right, add consumption to the list confirmed."
        ),
        (
            "answers.yaml:2:20: daily_distance_km: 40 km take about 72 kWh, and the battery holds"
            " 50 kWh. If it is right, add daily_distance_km to the list confirmed."
        ),
    ]


def test_an_implausible_tax_and_battery_are_doubted(
    run: Callable[..., Ran], tmp_path: Path
) -> None:
    """With their places."""
    text = "tax_percent: 0.22\nbattery_kwh: 450"
    ran = run("start-file", "--answers", write_known(tmp_path, text))
    assert ran.code == 2
    assert ran.err.splitlines() == [
        (
            "answers.yaml:1:14: tax_percent: 0.22 % tax? 22 % is written 22."
            " If it is right, add tax_percent to the list confirmed."
        ),
        (
            "answers.yaml:2:14: battery_kwh: 450 kWh in the battery? Most cars hold 20 to 120."
            " If it is right, add battery_kwh to the list confirmed."
        ),
    ]


def test_all_faults_are_reported_at_once(run: Callable[..., Ran], tmp_path: Path) -> None:
    """One line for each, in the order of their places."""
    text = "name: '...'\ntimezone: Mars\noutlet: wall\nvolts: many\nhose: 1\n"
    ran = run("start-file", "--answers", write_known(tmp_path, text))
    assert [line.split(":")[1] for line in ran.err.splitlines()] == ["1", "2", "3", "4", "5"]


def test_bytes_that_are_no_text_are_refused(tmp_path: Path) -> None:
    """On standard input as in a file, with their place."""
    ran = without_terminal(tmp_path, "--answers", "-", given=b"name: M\xefro\n")
    assert ran.returncode == 2
    assert ran.stderr.startswith(b"standard input:1:8: expected UTF-8, got the byte 0xef")
    assert list(tmp_path.iterdir()) == []


def test_too_much_input_is_refused_unread(tmp_path: Path) -> None:
    """On standard input; and so is a missing file."""
    ran = without_terminal(tmp_path, "--answers", "-", given=b"#" * 70_000)
    assert ran.returncode == 2
    assert ran.stderr == b"standard input:1:1: expected answers, got more than 64 KiB\n"
    ran = without_terminal(tmp_path, "--answers", "none.yaml")
    assert ran.returncode == 2
    assert ran.stderr == b"none.yaml:1:1: expected answers, got no such file\n"


def test_without_a_terminal_it_says_what_to_do(tmp_path: Path) -> None:
    """It does not wait, and writes nothing."""
    ran = without_terminal(tmp_path)
    assert (ran.returncode, ran.stdout) == (2, b"")
    assert b"on a terminal, and there is none" in ran.stderr
    assert b"--answers FILE" in ran.stderr
    assert len(ran.stderr.splitlines()) == 1
    assert list(tmp_path.iterdir()) == []


def test_an_unencrypted_broker_is_accepted_if_the_answers_say_so(
    run: Callable[..., Ran], tmp_path: Path
) -> None:
    """The keys that a refusal names are valid keys of the answers."""
    text = "broker: mqtt://shed.example\nin_the_clear: true\nanonymous: true\n"
    assert run("start-file", "--answers", write_known(tmp_path, text)).code == 0
    bus = load_household(tmp_path / "house.yaml").bus
    assert (bus.in_the_clear, bus.anonymous, bus.username) == (True, True, None)


# --- an output that exists ---------------------------------------------------------------------


def test_a_file_is_replaced_only_with_overwrite(run: Callable[..., Ran], tmp_path: Path) -> None:
    """Without --overwrite the file stays as it is."""
    (tmp_path / "house.yaml").write_text("mine")
    answers = write_known(tmp_path, "")
    ran = run("start-file", "--answers", answers)
    assert ran.code == 2
    assert ran.err == "house.yaml: the file already exists (--overwrite replaces it)\n"
    assert (tmp_path / "house.yaml").read_text() == "mine"
    assert run("start-file", "--answers", answers, "--overwrite").code == 0
    assert load_household(tmp_path / "house.yaml").household.name == "My home"
    assert {path.name for path in tmp_path.iterdir()} == {"answers.yaml", "house.yaml"}


@pytest.mark.parametrize(
    ("output", "reason"),
    [(".", "got a directory"), ("none/house.yaml", "the directory none does not exist")],
)
def test_a_bad_output_is_refused(
    run: Callable[..., Ran], tmp_path: Path, output: str, reason: str
) -> None:
    """In one line."""
    ran = run("start-file", "--answers", write(tmp_path, ""), "--output", output)
    assert ran.code == 2
    assert reason in ran.err
    assert len(ran.err.splitlines()) == 1


def test_a_disk_that_fails_leaves_nothing_behind(
    run: Callable[..., Ran], tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """The old file stays whole, and the part is removed."""

    def full(_self: Path, _target: Path) -> Path:
        raise OSError(28, os.strerror(28))

    answers = write_known(tmp_path, "")
    (tmp_path / "house.yaml").write_text("mine")
    monkeypatch.setattr(Path, "replace", full)
    ran = run("start-file", "--answers", answers, "--overwrite")
    assert (ran.code, ran.err) == (2, "house.yaml: can't be written: No space left on device\n")
    assert (tmp_path / "house.yaml").read_text() == "mine"
    assert {path.name for path in tmp_path.iterdir()} == {"answers.yaml", "house.yaml"}


# --- where the home may be ---------------------------------------------------------------------


@pytest.mark.parametrize(
    ("variable", "link", "zone", "currency"),
    [
        ("Europe/Lisbon", "/usr/share/zoneinfo/Etc/UTC", "Europe/Lisbon", "EUR"),
        (":Asia/Tokyo", "", "Asia/Tokyo", "JPY"),
        ("/usr/share/zoneinfo/Europe/Oslo", "", "Europe/Oslo", "NOK"),
        ("", "/usr/share/zoneinfo/Pacific/Auckland", "Pacific/Auckland", "NZD"),
        ("", "../usr/share/zoneinfo/posix/America/New_York", "America/New_York", "USD"),
        ("NZST-12NZDT", "/usr/share/zoneinfo/Etc/UTC", None, None),
        ("Mars/Olympus", "", None, None),
    ],
)
def test_the_machine_gives_the_time_zone(
    tmp_path: Path, variable: str, link: str, zone: str | None, currency: str | None
) -> None:
    """TZ (POSIX), then the link /etc/localtime; only known zones count."""
    local_time = tmp_path / "localtime"
    if link:
        local_time.symlink_to(link)
    guess = guess_home({"TZ": variable}, local_time)
    assert (guess.timezone, guess.currency) == (zone, currency)


def test_defaults_depend_on_the_country() -> None:
    """Where sockets have 120 V, fixed equipment has 240."""
    west, _ = check_answers(
        read_yaml(with_known("outlet: charge_point")), Guess("America/New_York", "US", "USD")
    )
    assert west is not None
    assert west.household.nominal_volts == 240
    assert west.vehicles["car"].miles_per_kwh is not None


def test_the_help_lists_options_and_keys(run: Callable[..., Ran]) -> None:
    """The options, and the keys of a file of answers."""
    ran = run("start-file", "--help")
    assert ran.code == 0
    for word in ("--answers", "--output", "--overwrite", "cheap_hours", "password_file"):
        assert word in ran.out


SEASON = (
    "season_months: [1, 2]\nseason_cheap_rate: 0.25\nseason_cheap_hours: [22:00-07:00]\n"
    "season_other_rate: 0.4"
)


@pytest.mark.parametrize(
    ("answers", "wants"),
    [
        ("", (None, Decimal("0.165"))),
        (SEASON, (None, Decimal("0.275"))),
        ("beyond_need: cheap_hours\nmax_rate: 0.12", (None, Decimal("0.12"))),
        ("beyond_need: any_price", (80.0, None)),
        ("beyond_need: any_price\nchemistry: lfp", (100.0, None)),
        ("beyond_need: nothing", (None, None)),
        ("need_percent: 80", (None, None)),
        ("tariff: one_rate\nrate: 0.3", (None, None)),
    ],
)
def test_what_lies_beyond_the_need_is_asked(
    run: Callable[..., Ran], tmp_path: Path, answers: str, wants: tuple[float | None, Decimal]
) -> None:
    """In the cheap hours, by their highest rate with tax; at any price; or not at all."""
    given = f"{answers}\ntax_percent: 10"
    if "one_rate" in answers:
        given += "\ntimezone: Etc/UTC\ncurrency: EUR"
    else:
        given = with_known(given)
    ran = run("start-file", "--answers", write(tmp_path, given))
    assert ran.code == 0, ran.err
    (leaves,) = load_household(tmp_path / "house.yaml").departures
    assert (leaves.want_percent, leaves.max_rate) == wants


@pytest.mark.parametrize(
    ("answers", "reason"),
    [
        ("beyond_need: sometimes", "expected cheap_hours, any_price or nothing, got"),
        ("need_percent: 90\nbeyond_need: any_price", "expected only with a need_percent below"),
        ("beyond_need: nothing\nmax_rate: 0.2", "expected only with beyond_need: cheap_hours"),
        ("max_rate: dear", "max_rate: expected a number of EUR per kWh"),
    ],
)
def test_a_bad_answer_about_what_lies_beyond_is_refused(
    run: Callable[..., Ran], tmp_path: Path, answers: str, reason: str
) -> None:
    """With its place, and what was expected."""
    ran = run("start-file", "--answers", write(tmp_path, with_known(answers)))
    assert ran.code == 2
    assert reason in ran.err


def test_a_rate_must_be_given_where_no_cheap_rate_is_known(
    run: Callable[..., Ran], tmp_path: Path
) -> None:
    """No rate is invented."""
    answers = "timezone: Etc/UTC\ncurrency: EUR\ntariff: one_rate\nrate: 0.3\n"
    ran = run("start-file", "--answers", write(tmp_path, f"{answers}beyond_need: cheap_hours"))
    assert ran.code == 2
    assert 'missing key "max_rate"' in ran.err
