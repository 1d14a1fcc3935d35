"""From a household to its adviser: what is shared, how it is read, and what is refused."""

from __future__ import annotations

import json
import sqlite3
from collections.abc import Callable
from datetime import date
from pathlib import Path
from shutil import copyfile, copytree
from typing import Any

import pytest
from jsonschema import Draft202012Validator

from adapters.clocks.instants import parse_instant
from adapters.ledger.exact_json import dump_exact
from adapters.ledger.ledger import open_ledger
from adapters.sealing.encrypting import adviser_key
from adapters.sealing.envelope import open_sealed, seal
from adapters.sealing.signing import signer_beside
from config.extract.extract_file import Night, Stay
from config.schema import extract_schema
from daemon.extracts.opening import MOST_BYTES
from tests.daemon.month.recorded import EXAMPLES, hour, local, recorded
from tests.support.commands import Ran

Run = Callable[..., Ran]
NAME = "name: Kowhai Cottage"
MONTH = "2026-10"
ALL = ("--half-hours", "--soc", "--plug-in-times")


@pytest.fixture(scope="module")
def household(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Record ten nights of October and five of November, once, with an alert."""
    folder = tmp_path_factory.mktemp("household")
    charged = {**hour(2, 1, 7200), **hour(3, 6, 3601), **hour(4, 23, 5000)}
    file = recorded(folder, "kowhai", charged)
    november = copytree(folder, folder / "november")
    recorded(november, "kowhai", hour(2, 1, 4444, month=11), 5)
    with open_ledger(folder / "ledger.sqlite3") as ledger:
        ledger.add_alert(
            "driveway", local(2026, 10, 3, 2).astimezone(), "no-reading", "secret 192.0.2.7"
        )
        with open_ledger(november / "ledger.sqlite3") as later:
            for night in later.nights():
                day, at = date.fromisoformat(night["night"]), parse_instant(night["closed_at"])
                ledger.close_night(day, "driveway", "hatchback", at, night)
            begun, ended = local(2026, 10, 30, 0).astimezone(), local(2026, 11, 9, 0).astimezone()
            for each in later.register_readings("driveway", begun, ended):
                ledger.add_reading("driveway", each.at, each.register_wh + 15_800)
    return file


class Adviser:
    """An adviser's folder, and a home of a household's own copy."""

    def __init__(self, run: Run, folder: Path, household: Path) -> None:
        self.run, self.folder = run, folder / "desk"
        self.house = copytree(household.parent, folder / "home") / "house.yaml"
        self.recipient = run("desk", "start", str(self.folder)).out.strip()
        self.home = self.folder / "kowhai-cottage" / "house.yaml"

    def shared(self, *options: str, name: str = "x", month: str = MONTH) -> tuple[Path, str]:
        """Share a month; return the file and the fingerprint that was printed."""
        path = self.folder.parent / name
        ran = self.run(
            "share", str(self.house), "--month", month, "--to", self.recipient,
            "--output", str(path), *options,
        )  # fmt: skip
        assert (ran.code, ran.err) == (0, "")
        assert "\nThe fingerprint of this home's key, " in ran.out
        return path, ran.out.partition("type once: ")[2].partition(";")[0]

    def confirmed(self, *options: str, **more: str) -> Path:
        """Share a month, and confirm the key."""
        path, told = self.shared(*options, **more)
        ran = self.run(
            "desk", "confirm", str(self.folder), str(path), "--fingerprint", told.lower()
        )
        assert ran.code == 0, ran
        return path

    def receive(self, *paths: Path) -> Ran:
        return self.run("desk", "receive", str(self.folder), *map(str, paths))

    def received(self, *options: str, **more: str) -> Path:
        """Share, confirm and receive; return the received home's file."""
        ran = self.receive(self.confirmed(*options, **more))
        assert (ran.code, ran.err) == (0, "")
        return self.home

    def refused(self, path: Path) -> str:
        """Receive what must be refused; return the line, which names the file."""
        ran = self.receive(path)
        assert (ran.code, ran.out) == (3, ""), ran
        assert str(path) in ran.err
        return ran.err

    def sealed(self, content: bytes, path: Path) -> Path:
        signer, _ = signer_beside(self.house.parent / "ledger.sqlite3")
        path.write_bytes(seal(content, signer, [self.recipient]))
        return path


@pytest.fixture
def adviser(run: Run, tmp_path: Path, household: Path) -> Adviser:
    """Start a desk, beside a household that has not shared yet."""
    return Adviser(run, tmp_path, household)


def document_of(adviser: Adviser, path: Path) -> dict[str, Any]:
    key = adviser_key(adviser.folder / "adviser.key")
    opened = open_sealed(path.read_bytes(), lambda raw: key.decrypt(raw, ""), "")
    loaded: dict[str, Any] = json.loads(opened.content)
    return loaded


def test_all_that_was_shared_is_read_as_the_household_reads_it(adviser: Adviser, run: Run) -> None:
    """Every report of nights, half-hours and the month gives the same figures on both sides."""
    home, own = adviser.received(*ALL), adviser.house
    for command in (
        ("nights", "F", "--format", "json", "--from", "2026-10-01", "--to", "2026-10-31"),
        (
            "nights",
            "F",
            "--half-hours",
            "--format",
            "csv",
            "--from",
            "2026-10-01",
            "--to",
            "2026-10-10",
        ),
        ("nights", "F", "--half-hours", "--from", "2026-10-02", "--to", "2026-10-03"),
    ):
        theirs, ours = (
            run(*(str(file) if each == "F" else each for each in command)) for file in (own, home)
        )
        assert theirs == ours
        assert ours.code == 0
    theirs, ours = (
        json.loads(run("month", str(file), MONTH, "--format", "json").out) for file in (own, home)
    )
    [alert], counted = theirs.pop("alerts"), ours.pop("untimed_alerts")
    assert (counted, ours["alerts"]) == ([{"code": alert["code"], "count": 1}], [])
    for each in (theirs, ours):
        for key in ("as_of", "alerts", "untimed_alerts", "remarks"):
            each.pop(key, None)
    assert theirs == ours


def test_what_was_not_shared_is_in_no_byte_and_no_report(adviser: Adviser, run: Run) -> None:
    """Without options: no half-hours, no state of charge, no times; and never an address."""
    path = adviser.confirmed()
    document = document_of(adviser, path)
    for said in ("made_at", "shares"):  # when it was made, and what was not shared, by name
        document.pop(said)
    text = json.dumps(document)
    for secret in (
        "mqtt://",
        "lullwatt/",
        "192.0.2.7",
        "07:20",
        "departures",
        "soc",
        "plugged",
        "T0",
    ):
        assert secret not in text, secret
    adviser.receive(path)
    [night, *_] = [
        each
        for each in json.loads(run("nights", str(adviser.home), "--format", "json").out)["nights"]
        if each["energy_kwh"]
    ]
    for key in ("plugged_since", "departure", "closed_at", "soc_before_percent", "missing_kwh"):
        assert night[key] is None, key
    assert night["soc_from"] == "not shared"
    text = run("month", str(adviser.home), MONTH).out
    assert "Not shared: half-hours, state of charge, plug-in times." in " ".join(text.split())
    assert "no-reading (once); when they came is never shared" in text
    assert "Not shared" in run("nights", str(adviser.home)).out
    for asked in (
        ("nights", str(adviser.home), "--half-hours"),
        ("month", str(adviser.home), MONTH, "--bill", "bill.csv"),
    ):
        ran = run(*asked)
        assert ran.code == 2
        assert "did not share the half-hours" in ran.err
    for command in (
        ("plan", "--soc", "35"),
        ("why",),
        ("check",),
        ("run",),
        ("share", "--month", MONTH),
    ):
        ran = run(command[0], str(adviser.home), *command[1:])
        assert (ran.code, "received for reading" in ran.err) == (2, True), command


def test_an_extract_fits_the_published_schema(adviser: Adviser) -> None:
    """With all that can be shared, and with the least."""
    schema = extract_schema()
    Draft202012Validator.check_schema(schema)
    for options in (ALL, ()):
        path, _ = adviser.shared(*options)
        Draft202012Validator(schema).validate(document_of(adviser, path))


def test_months_of_a_home_are_kept_once_in_any_order(adviser: Adviser, run: Run) -> None:
    """The later month first; one that comes again takes the earlier one's place."""
    adviser.received(month="2026-11", name="november")
    october = adviser.confirmed(name="october")
    assert "nothing changed" not in adviser.receive(october).out
    assert "received before; nothing changed" in adviser.receive(october).out
    again = adviser.receive(adviser.confirmed("--soc", name="again"))
    assert again.code == 0
    nights = json.loads(run("nights", str(adviser.home), "--last", "99", "--format", "json").out)
    dates = [each["night"] for each in nights["nights"]]
    assert len(dates) == len(set(dates)) == 15
    assert dates == sorted(dates)


def test_a_month_between_is_not_taken_for_one_without_energy(adviser: Adviser, run: Run) -> None:
    """Half-hours of which no extract tells are unknown, not 0."""
    path = adviser.confirmed("--half-hours", name="october")
    document = document_of(adviser, path)
    early = [each for each in document["half_hours"] if each["start"] < "2026-10-15"]
    document["half_hours"] = early  # as if it had been shared in the middle of the month
    adviser.receive(adviser.sealed(dump_exact(document).encode(), path))
    adviser.received("--half-hours", month="2026-11", name="november")
    asked = ("--half-hours", "--format", "json", "--from", "2026-10-02", "--to", "2026-11-02")
    rows = json.loads(run("nights", str(adviser.home), *asked).out)["half_hours"]
    by_day = {row["start_local"][:10]: row["kwh"] for row in rows if row["start_local"][11:] > "13"}
    assert by_day["2026-10-20"] is None
    text = " ".join(run("nights", str(adviser.home), asked[0], *asked[3:]).out.split())
    assert "Thu 15 Oct 0.00 kWh, the rest not known Fri 16 Oct not known" in text
    assert "is not known: not shared, or no meter was read" in text
    assert by_day["2026-10-05"] == by_day["2026-11-01"] == 0


def test_extracts_and_ledgers_are_read_side_by_side(adviser: Adviser, run: Run) -> None:
    """The household's own file and its extract are one home, which counts once."""
    home = adviser.received()
    ran = run("month", str(home), str(adviser.house), MONTH, "--format", "csv")
    assert ran.code == 3
    assert "the same home as" in ran.out
    assert "from an extract" in ran.out
    asked = ("appraise", str(EXAMPLES / "choices.yaml"), "--homes", str(home), str(adviser.house))
    assert "the same home as" in run(*asked, "--tariffs-only").err  # and ten nights are too few
    copy = copytree(adviser.house.parent, adviser.folder.parent / "rata") / "house.yaml"
    copy.write_text(copy.read_text("utf-8").replace(NAME, "name: Rata House"), "utf-8")
    mixed = run("month", str(home), str(copy), MONTH, "--format", "csv")
    assert mixed.code == 0
    energy = [line.split(",")[6] for line in mixed.out.splitlines()[1:]]
    assert energy[0] == energy[1]


def test_a_file_that_was_changed_or_cut_is_refused(adviser: Adviser) -> None:
    """Each is named with the remedy, and leaves nothing behind."""
    path = adviser.confirmed()
    whole = path.read_bytes()
    for at in (5, 40, 300, len(whole) // 2, len(whole) - 1):
        path.write_bytes(whole[:at] + bytes([whole[at] ^ 1]) + whole[at + 1 :])
        adviser.refused(path)
    for end in (0, 10, 200, len(whole) // 2, len(whole) - 1):
        path.write_bytes(whole[:end])
        adviser.refused(path)
    path.write_bytes(b"x" * (MOST_BYTES + 1))
    assert "more than 8192 KiB" in adviser.refused(path)
    assert not adviser.home.exists()


def test_what_is_signed_can_not_be_changed_where_it_is_not_encrypted(
    adviser: Adviser, run: Run
) -> None:
    """A plain extract says that it is plain, and holds against changes all the same."""
    path = adviser.folder.parent / "plain"
    ran = run("share", str(adviser.house), "--month", MONTH, "--output", str(path))
    assert "not encrypted" in ran.out
    told = ran.out.partition("type once: ")[2].partition(";")[0]
    run("desk", "confirm", str(adviser.folder), str(path), "--fingerprint", told)
    whole = path.read_bytes()
    path.write_bytes(whole.replace(b'"cost":', b'"cost":-', 1))
    assert "its signature does not hold" in adviser.refused(path)
    path.write_bytes(whole)
    assert "it was not encrypted" in adviser.receive(path).out


def test_another_adviser_can_not_read_it(adviser: Adviser, run: Run, tmp_path: Path) -> None:
    """Nor use what the right one passes on, encrypted again or not."""
    path = adviser.confirmed()
    other = tmp_path / "other"
    recipient = run("desk", "start", str(other)).out.strip()
    ran = run("desk", "receive", str(other), str(path))
    assert (ran.code, "another key than yours" in ran.err) == (3, True)
    assert recipient in ran.err
    from adapters.sealing.encrypting import encrypt  # noqa: PLC0415 - only here

    signed = adviser_key(adviser.folder / "adviser.key").decrypt(path.read_bytes(), "")
    for passed_on in (signed, encrypt(signed, [recipient])):
        path.write_bytes(passed_on)
        ran = run("desk", "receive", str(other), str(path))
        assert "consented to other readers" in ran.err


def test_a_key_counts_only_once_it_is_confirmed(adviser: Adviser, run: Run) -> None:
    """By what the household told the adviser, typed in any case; a wrong one is refused loudly."""
    path, told = adviser.shared()
    assert "is not confirmed yet" in adviser.refused(path)
    wrong = "A" * len(told)
    ran = run("desk", "confirm", str(adviser.folder), str(path), "--fingerprint", wrong)
    assert (ran.code, "NOT CONFIRMED" in ran.err) == (2, True)
    assert told not in ran.err
    assert "is not confirmed yet" in adviser.refused(path)
    run("desk", "confirm", str(adviser.folder), str(path), "--fingerprint", told.replace("-", " "))
    assert adviser.receive(path).code == 0


def test_another_key_of_a_known_home_is_loud(adviser: Adviser, run: Run) -> None:
    """A home that was confirmed is not taken over; a new key is confirmed as such."""
    adviser.received()
    (adviser.house.parent / "ledger.sqlite3.signing-key").unlink()
    path, told = adviser.shared(name="forged")
    assert "WARNING, ANOTHER KEY" in adviser.refused(path)
    asked = ("desk", "confirm", str(adviser.folder), str(path), "--fingerprint", told)
    assert "kowhai-cottage" in run(*asked, "--new-key").out
    assert adviser.receive(path).code == 0


def test_two_homes_of_one_name_have_two_folders(adviser: Adviser, run: Run) -> None:
    """Both are read, and each names the other."""
    first = adviser.received()
    (adviser.house.parent / "ledger.sqlite3.signing-key").unlink()
    with sqlite3.connect(adviser.house.parent / "ledger.sqlite3") as ledger:
        ledger.execute("UPDATE nights SET body = replace(body, '\"cost\":', '\"cost\":1')")
    adviser.receive(adviser.confirmed(name="second"))
    second = adviser.folder / "kowhai-cottage-2" / "house.yaml"
    ran = run("month", str(first), str(second), MONTH, "--format", "csv")
    assert ran.code == 0
    assert "another home is called Kowhai Cottage" in ran.out


def test_after_consent_has_ended_nothing_is_read(adviser: Adviser, run: Run) -> None:
    """Neither received nor reported; `tidy` deletes it."""
    path = adviser.confirmed(name="over")
    document = document_of(adviser, path)
    until = document["consent"]["until"]
    document["consent"]["until"] = "2026-10-31"
    assert "which is over" in adviser.refused(adviser.sealed(dump_exact(document).encode(), path))
    document["consent"]["until"], document["made_at"] = until, "2098-01-01T00:00:00Z"
    assert "which is to come" in adviser.refused(
        adviser.sealed(dump_exact(document).encode(), path)
    )
    home = adviser.received()
    marker = home.parent / "received.json"
    extract = home.parent / "extracts" / f"{MONTH}.json"
    for file in (marker, extract):
        text = file.read_text("utf-8")
        until = (
            json.loads(marker.read_text("utf-8"))["months"][MONTH]["until"]
            if file == marker
            else until
        )
        file.write_text(text.replace(until, "2026-10-31"), "utf-8")
    ran = run("month", str(home), MONTH)
    assert (ran.code, "which is over" in ran.err) == (2, True)
    assert "which is over" in run("nights", str(home)).err
    assert (
        f"deleted, since consent has ended: {MONTH}" in run("desk", "tidy", str(adviser.folder)).out
    )
    assert not home.parent.exists()


def test_a_month_whose_consent_has_ended_goes_with_any_extract(adviser: Adviser) -> None:
    """Even with one that was received before, and that changes nothing else."""
    october = adviser.confirmed(name="october")
    adviser.receive(october)
    november, _ = adviser.shared(name="november", month="2026-11")
    adviser.receive(november)
    kept = adviser.home.parent / "extracts" / "2026-11.json"
    document = json.loads(kept.read_text("utf-8"))
    document["consent"]["until"] = "2026-10-31"
    kept.write_text(json.dumps(document), "utf-8")
    said = adviser.receive(october).out
    assert "was received before; nothing else changed; deleted" in said
    assert not kept.exists()
    marker = json.loads((adviser.home.parent / "received.json").read_text("utf-8"))
    assert list(marker["months"]) == [MONTH]


ANNOUNCED = {
    "tariff": "Three-band", "day": "2026-10-01", "kind": "costly", "hours": ["25:00-26:00"],
}  # fmt: skip

CHANGED = {"first": "2026-10-02", "ends": "noon"}

CHANGES: tuple[tuple[Callable[[dict[str, Any]], object], str], ...] = (
    (lambda d: d.update(version=2), "is of version 2"),
    (lambda d: d.update(format="other"), "expected an extract"),
    (lambda d: d.update(more=1), "more: Extra inputs"),
    (lambda d: d["nights"][0].update(night="2026-09-30"), "of another month"),
    (lambda d: d["nights"].append(d["nights"][0]), "twice"),
    (lambda d: d.update(nights=[]), "nights"),
    (lambda d: d["nights"][0].update(charge_point="a\x1b[2Jb"), "no valid extract"),
    (lambda d: d["half_hours"][0].update(start="2031-01-01T00:00:00Z"), "do not fit"),
    (lambda d: d["shares"].update(half_hours=False), "do not fit"),
    (lambda d: d["half_hours"].pop(7), "do not fit"),
    (lambda d: d["household"].update(bus={"broker": "mqtt://192.0.2.1"}), "bus"),
    (lambda d: d["household"]["household"].update(on_alert=["/bin/sh"]), "on_alert"),
    (lambda d: d["household"]["tariffs"][0].update(prices={"file": "/etc/passwd"}), "file"),
    (lambda d: d["household"]["household"].update(timezone="../../etc/passwd"), "timezone"),
    (lambda d: d["household"]["household"].update(name="a\nb: [1"), "can't be printed: a\\nb"),
    (lambda d: d["household"].update(tariffs="x"), "household"),
    (lambda d: d["household"]["household"].update(currency="gold"), "currency"),
    (lambda d: d["household"]["tariffs"][0].update(name="a\x1b[2Jb"), "can't be printed"),
    (lambda d: d.update(announcements=[ANNOUNCED]), "announcements.0.hours"),
    (lambda d: d.update(account_changes=[CHANGED, CHANGED]), "the change of 2026-10-02 twice"),
)  # fmt: skip


def test_a_signed_document_that_makes_no_sense_is_refused(adviser: Adviser) -> None:
    """Even from a confirmed household: keys, names and numbers are checked before anything."""
    path = adviser.confirmed(*ALL)
    document = document_of(adviser, path)
    for change, says in CHANGES:
        changed = json.loads(json.dumps(document))
        change(changed)
        refused = adviser.refused(adviser.sealed(dump_exact(changed).encode("ascii"), path))
        assert says in refused
    assert not adviser.home.exists()


def test_a_signed_document_that_is_no_json_is_refused(adviser: Adviser) -> None:
    """Neither depth nor length takes the program down."""
    path = adviser.confirmed()
    start = b'{"format":"lullwatt-extract","version":1,"made_at":'
    for content in (
        b"[" * 100_000, start + b"9" * 5000 + b"}", b"\xff\xfe", b"NaN", b"", b'"text"',
    ):  # fmt: skip
        adviser.refused(adviser.sealed(content, path))


def test_a_number_that_would_take_all_memory_is_refused(adviser: Adviser) -> None:
    """Written out, it would have a billion digits."""
    path = adviser.confirmed()
    content = json.dumps(document_of(adviser, path)).encode()
    for number in (b"1e-999999999", b"1e999999999", b"-1.0"):
        spoilt = content.replace(b'"energy_kwh": 7.2', b'"energy_kwh": ' + number, 1)
        assert spoilt != content
        assert "energy_kwh" in adviser.refused(adviser.sealed(spoilt, path))


def test_a_household_of_too_many_levels_is_refused(adviser: Adviser) -> None:
    """A JSON reader bears more of them than what reads the household afterwards."""
    path = adviser.confirmed()
    content, begins = json.dumps(document_of(adviser, path)).encode(), b'"tariffs": [{'
    deep = content.replace(begins, begins + b'"fees": ' + b"[" * 700 + b"]" * 700 + b", ", 1)
    assert "more than 50 levels" in adviser.refused(adviser.sealed(deep, path))


def test_names_that_look_like_yaml_html_or_paths_stay_names(adviser: Adviser, run: Run) -> None:
    """A home of such a name gets a plain folder, and its file means what it said."""
    name = '<b>"../..": {a: [0o17, *x]}</b> 1e5'
    adviser.house.write_text(
        adviser.house.read_text("utf-8").replace(NAME, f"name: {json.dumps(name)}"), "utf-8"
    )
    assert adviser.receive(adviser.confirmed()).code == 0
    [home] = adviser.folder.glob("*/house.yaml")
    assert home.parent.parent == adviser.folder
    assert run("month", str(home), MONTH).out.startswith(name)


def test_one_bad_file_does_not_stop_the_others(adviser: Adviser) -> None:
    """It is named; the exit code says that not all could be used."""
    good = adviser.confirmed()
    bad = good.with_name("bad")
    bad.write_bytes(good.read_bytes()[:-1])
    ran = adviser.receive(bad, good.with_name("none"), good)
    assert ran.code == 3
    assert [
        line.count("damaged") or line.count("no such file") for line in ran.err.splitlines()
    ] == [1, 1]
    assert adviser.home.exists()


def test_an_extract_in_place_of_a_household_file_is_recognised(adviser: Adviser, run: Run) -> None:
    """Encrypted or not; the remedy is named."""
    sealed = adviser.confirmed()
    run("share", str(adviser.house), "--month", MONTH, "--output", "plain")
    for file in (str(sealed), "plain"):
        assert "`lullwatt desk receive` unpacks it" in run("month", file, MONTH).err


def test_share_refuses_what_it_can_not_do(adviser: Adviser, run: Run) -> None:
    """An empty month, a mistyped recipient, dates and words out of range: exit 2, no file."""
    own = ("share", str(adviser.house), "--output", "never")
    mistyped = adviser.recipient[:-1] + ("q" if adviser.recipient[-1] != "q" else "p")
    for options, says in (
        (("--month", "2026-09"), "expected a night recorded in 2026-09, got none"),
        (("--month", MONTH, "--to", mistyped), "--to: expected an adviser's recipient"),
        (("--month", MONTH, "--until", "2020-01-01"), "--until"),
        (("--month", MONTH, "--purpose", "a\nb"), "--purpose"),
    ):
        ran = run(*own, *options)
        assert (ran.code, says in ran.err) == (2, True), ran
    assert not Path("never").exists()
    key = adviser.house.parent / "ledger.sqlite3.signing-key"
    assert not key.exists()
    adviser.shared()
    assert key.stat().st_mode & 0o777 == 0o600
    key.chmod(0o644)
    ran = run(*own, "--month", MONTH)
    assert (ran.code, "chmod 600" in ran.err) == (2, True)


def test_an_extract_of_version_1_stays_readable(run: Run, tmp_path: Path) -> None:
    """The first that was written: tests/data/extract says how."""
    kept, desk = Path(__file__).parents[2] / "data" / "extract", tmp_path / "desk"
    run("desk", "start", str(desk))
    copyfile(kept / "adviser.key", desk / "adviser.key")
    told = "7PD3M-LV65Y-SIXUU-L4UXF-WOQLM"
    extract = str(kept / "version-1.extract")
    assert run("desk", "confirm", str(desk), extract, "--fingerprint", told).code == 0
    assert run("desk", "receive", str(desk), extract).code == 0
    month = json.loads(
        run("month", str(desk / "kowhai-cottage" / "house.yaml"), MONTH, "--format", "json").out
    )
    # By hand: all of it in the night band, 0.168 with 15 % of tax; 3601 Wh are 900 each quarter.
    assert [each["energy_kwh"] for each in month["per_night"]] == [7.2, 3.6, 0.0]
    assert month["cost_exact"] == pytest.approx(10.8 * 0.168 * 1.15)


def _one_average_a_night(theirs: dict[str, Any], ours: dict[str, Any]) -> None:
    """Where each half-hour has its price, rates would tell when it charged; their mean does not."""
    first = [each["per_night"][1].pop("by_band") for each in (theirs, ours)]
    assert len(first[0]) == 2
    [line] = first[1]
    assert line["kwh"] == sum(each["kwh"] for each in first[0])
    assert line["cost"] == pytest.approx(sum(each["cost"] for each in first[0]))
    assert line["rate"] == pytest.approx(line["cost"] / line["kwh"])
    for each in (theirs, ours):
        each.pop("by_band")


def _every_key_of_a_night_is_known(own: Path) -> None:
    """Refuse a new key of the record: at the adviser's it would be missing, and count as 0."""
    with open_ledger(own.parent / "ledger.sqlite3", read_only=True) as ledger:
        nights = ledger.nights()
    of_stays = {"plugged_since", "departure", "soc_before_percent", "soc_after_percent", "soc_from"}
    known = set(Night.model_fields) | of_stays | {"currency"}
    assert {key for night in nights for key in night} <= known
    stays = {key for night in nights for stay in night["stays"] for key in stay}
    assert stays <= set(Stay.model_fields)


@pytest.mark.parametrize("example", ["carbon", "day-ahead", "quarter-hour-peaks"])
def test_other_tariffs_and_carbon_are_read_alike(example: str, run: Run, tmp_path: Path) -> None:
    """But a capacity charge: what the rest of the home draws is in no extract."""
    (tmp_path / "home").mkdir()
    own = recorded(tmp_path / "home", example, hour(2, 13, 2400), 2)
    _every_key_of_a_night_is_known(own)
    run("desk", "start", "desk")
    shared = run("share", str(own), "--month", MONTH, "--output", "x", "--soc", "--plug-in-times")
    told = shared.out.partition("type once: ")[2].partition(";")[0]
    run("desk", "confirm", "desk", "x", "--fingerprint", told)
    home = run("desk", "receive", "desk", "x").out.partition(": ")[0]
    theirs, ours = (
        json.loads(run("month", str(file), MONTH, "--format", "json").out) for file in (own, home)
    )
    if example == "day-ahead":
        _one_average_a_night(theirs, ours)
    has_charge = theirs.pop("capacity") is not None
    assert has_charge == (example == "quarter-hour-peaks")
    assert ours.pop("capacity") is None
    assert ("together" in ours) != has_charge
    assert ("in no sum" in run("month", home, MONTH).out) == has_charge
    for each in (theirs, ours):
        for key in ("as_of", "remarks", "capacity_charge", "capacity_charge_without_charging"):
            each.pop(key)
        each.pop("together", None)
    assert theirs == ours


def test_short_stays_of_two_vehicles_are_told_apart(adviser: Adviser, run: Run) -> None:
    """Without times and state of charge: which vehicle was short, and nothing of the reason."""
    with sqlite3.connect(adviser.house.parent / "ledger.sqlite3") as ledger:
        [(text,)] = ledger.execute("SELECT body FROM nights WHERE night = '2026-10-02'")
        body = json.loads(text)
        first = body["stays"][0] | {"energy_kwh": 1.6, "cost": 0.31, "starts": 1}
        late = {"vehicle": "van", "need_percent": 60.0, "departure": "2026-10-02T18:20:00Z"}
        left = {"departure": None, "left_at": "2026-10-02T08:00:00Z"}
        body["need_met"] = False
        body["lowered_by_load"] = {"minutes": 42, "least_amps": 31 / 3, "load_amps": 61.5}
        body["stays"] = [first | left, first | late | {"energy_kwh": 2.0, "cost": 0.39}]
        ledger.execute("UPDATE nights SET body = ? WHERE night = '2026-10-02'", (json.dumps(body),))
    home = adviser.received()
    text = " ".join(run("month", str(home), MONTH).out.split())
    assert "van needed 60 %; how much it had is not known. The reason was not shared." in text
    [night] = [
        each
        for each in json.loads(run("month", str(home), MONTH, "--format", "json").out)["per_night"]
        if each["night"] == "2026-10-02"
    ]
    assert [(each["vehicle"], each["energy_kwh"]) for each in night["stays"]] == [
        ("hatchback", 1.6),
        ("van", 2.0),
    ]
    assert night["departures"] == 1
    assert (night["lowered_minutes"], night["home_load_amps"]) == (42, None)
    assert (
        "lowered for 42 min, to 10.3333 A at the least: the rest of the home drew too much" in text
    )
