"""Play nights of one seed, and say what is wrong with them."""

from __future__ import annotations

import hashlib
import json
from collections import Counter
from contextlib import closing
from dataclasses import dataclass, field
from datetime import date, datetime, timedelta
from itertools import pairwise
from pathlib import Path
from tempfile import TemporaryDirectory
from typing import TYPE_CHECKING, Any, Final, NamedTuple

from adapters.clocks.instants import parse_instant
from adapters.ledger.file import open_file
from adapters.ledger.rows import from_micros, to_micros
from daemon.control.learning import JUST_EXPIRED
from tests.virtual_years.broker import Broker
from tests.virtual_years.faults import Faults
from tests.virtual_years.homes import NEED_PERCENT, home_of
from tests.virtual_years.life import Life, Night, night_of
from tests.virtual_years.process import DaemonProcess
from tests.virtual_years.watch import Told, Watch
from tests.virtual_years.world import BEGINS, World

if TYPE_CHECKING:
    import sqlite3
    from collections.abc import Iterator

    from tests.virtual_years.homes import Home, Place

_MEMORY: Final = Path("/dev/shm")  # noqa: S108 - a folder in memory
CLOSE_KWH: Final = 0.01
CLOSE_PERCENT: Final = 2.0


@dataclass
class Played:
    """What became of the nights of one seed."""

    seed: int
    nights: list[Night]
    faults: int
    starts: int
    wrong: list[str] = field(default_factory=list)
    history: list[str] = field(default_factory=list)
    alerts: list[tuple[datetime, str, str]] = field(default_factory=list)
    judged: int = 0

    @property
    def digest(self) -> str:
        """A digest of the whole history."""
        return hashlib.blake2b("\n".join(self.history).encode(), digest_size=8).hexdigest()


def play(seed: int, nights: int, *, until_wrong: bool = False) -> Played:
    """Play nights with faults, and two without, at the end.

    Parameters
    ----------
    seed : int
        Decides everything.
    nights : int
        How many to play with faults.
    until_wrong : bool
        Whether to end with the first night in which something is wrong.

    Returns
    -------
    Played
        What really happened, and what was wrong.
    """
    with TemporaryDirectory(dir=_MEMORY) as folder:
        home, path = home_of(seed), Path(folder) / "house.yaml"
        path.write_text(home.text, "utf-8")
        world = World(seed)
        broker = Broker(world)
        process = DaemonProcess(world, broker, path)
        lives = [Life(world, broker, process, place) for place in home.places]
        faults = Faults(world, broker, process, lives)
        watch = Watch(
            world, broker, process, lives=lives, home=home, faults_until=lambda: faults.until
        )
        process.start()
        for life in lives:
            life.begin()
        watch.begin()
        for day in range(nights):
            noon = BEGINS + timedelta(days=day)
            faults.draw(noon)
            world.run_until(noon + timedelta(days=1))
            if until_wrong and (watch.wrong or process.faults):
                break
        else:
            world.run_until(BEGINS + timedelta(days=nights + 2, minutes=30))
        if process.is_up:
            process.crash()
        played = Played(
            seed, [each for life in lives for each in life.nights], faults.count, process.starts,
            [*process.faults, *watch.wrong], world.history,
            process.alerts,
        )  # fmt: skip
        with closing(open_file(path.with_name("ledger.sqlite3"))) as connection:
            _judge_ledger(played, connection, watch, lives, home)
    return played


def _judge_ledger(
    played: Played, connection: sqlite3.Connection, watch: Watch, lives: list[Life], home: Home
) -> None:
    """Hold the record against what was acknowledged, sent and metered."""
    [(integrity,)] = connection.execute("PRAGMA integrity_check").fetchall()
    if integrity != "ok":
        played.wrong.append(f"the ledger is damaged: {integrity}")
    if not home.is_wired:
        played.wrong += _unrecorded(connection, watch)
    if home.fuse_amps is None:
        recorded = set(connection.execute("SELECT charge_point, serial FROM commands").fetchall())
        played.wrong += [f"{each}: sent, and not recorded" for each in watch.sent - recorded]
    for life in lives:
        rows = connection.execute(
            "SELECT night, body FROM nights WHERE charge_point = ?", (life.place.point,)
        ).fetchall()
        records = {date.fromisoformat(night): json.loads(body) for night, body in rows}
        _judge_records(played, life, records, watch, _starts(connection, watch, life.place.point))


def _unrecorded(connection: sqlite3.Connection, watch: Watch) -> list[str]:
    """List the messages that were acknowledged and are not in the ledger, or twice."""
    rows: Counter[tuple[str | int, ...]] = Counter()
    for leaf, table in (("reading", "readings"), ("vehicle", "vehicle_reports")):
        found = connection.execute(f"SELECT charge_point, at FROM {table}")  # noqa: S608 - ours
        rows.update((leaf, *row) for row in found)
    requests = connection.execute("SELECT charge_point FROM requests").fetchall()
    rows.update(("request", *row) for row in requests)
    wrong = []
    for topic, payload in watch.acknowledged:
        point, leaf = topic.split("/")[-2:]
        if leaf == "request":
            rows[leaf, point] -= 1
            if rows[leaf, point] < 0:
                wrong.append(f"{point}: a request was acknowledged, and is lost: {payload!r}")
        elif leaf in {"reading", "vehicle"}:
            at = parse_instant(json.loads(payload)["at"])
            if not rows[leaf, point, to_micros(at)]:
                wrong.append(f"{at:%m-%d %H:%M:%S} {point}: a {leaf} was acknowledged, and is lost")
    return wrong


def _judge_records(
    played: Played, life: Life, records: dict[date, dict[str, Any]], watch: Watch,
    starts: _Starts,
) -> None:  # fmt: skip
    metered = life.point.register_kwh - life.begun_kwh
    recorded = sum(float(each["energy_kwh"]) for each in records.values())
    if not -CLOSE_KWH <= recorded - metered <= life.misheard_kwh + CLOSE_KWH:
        played.wrong.append(f"recorded {recorded:.3f} kWh, metered {metered:.3f}")
    for night in life.nights:
        if night.soc_after == 0:
            continue
        played.judged += 1
        day = night_of(night.comes_at)
        record = records.get(day)
        wrong = ["it is not recorded"]
        if record is not None:
            wrong = [*_about_energy(night, record, life, watch)]
            if day not in watch.with_wrong_clock:
                wrong += [*_about_record(night, record, watch)]
                wrong += [*_about_starts(night, record, starts)]
        wrong += _about_night(night, life.place, watch, played)
        played.wrong += [f"night of {day}, {night.point}: {each}" for each in wrong]


def _about_record(night: Night, record: dict[str, Any], watch: Watch) -> Iterator[str]:
    day = night_of(night.comes_at)
    key, since = (night.point, day), record["stays"][0]["plugged_since"]
    met_at = watch.met_at.get(key)
    if met_at is not None and parse_instant(since) > met_at:
        yield f"recorded as plugged in since {since}, was known at {met_at}"
    # What a person says of it is believed, and is any number here.
    if key in watch.known - watch.told_percent:
        last = record["stays"][-1]
        if abs(float(last["soc_after_percent"] or 0) - night.soc_after) > CLOSE_PERCENT:
            yield f"recorded {last['soc_after_percent']} %, was {night.soc_after:.1f}"


def _about_energy(night: Night, record: dict[str, Any], life: Life, watch: Watch) -> Iterator[str]:
    day = night_of(night.comes_at)
    nights = (day - timedelta(days=1), day)
    # A box says no dates: what it said before a noon, and is heard after it, may be of either
    # night, and what is said again is an old register. All nights together must be right.
    if life.is_undated and not all(_is_read_to_its_end(each, life, watch) for each in nights):
        return
    shown, real = float(record["energy_kwh"]), night.cheap_kwh + night.dear_kwh
    if abs(shown - real) > CLOSE_KWH:
        yield f"recorded {shown:.3f} kWh, metered {real:.3f}"


def _is_read_to_its_end(day: date, life: Life, watch: Watch) -> bool:
    if day in life.misheard | watch.with_wrong_clock:
        return False
    read = watch.read_at.get((life.place.point, day))
    register = life.register_at.get(day + timedelta(days=1))
    return None not in {read, register} and abs((read or 0) - (register or 0)) < CLOSE_KWH


class _Starts(NamedTuple):
    """When a place was told to start: what is recorded, and with what a full disk did not take."""

    recorded: list[datetime]
    all: list[datetime]


def _starts(connection: sqlite3.Connection, watch: Watch, point: str) -> _Starts:
    """List the starts after a stop, or after a start that had expired."""
    # A stop while there is no broker is recorded, and not sent; what is sent while the disk is
    # full is not recorded, and the daemon counts it until it is killed.
    rows = connection.execute(
        "SELECT serial, at, do, valid_until FROM commands WHERE charge_point = ?", (point,)
    ).fetchall()
    recorded = {
        serial: Told(from_micros(at), do, from_micros(until)) for serial, at, do, until in rows
    }
    sent = {serial: each for (place, serial), each in watch.told.items() if place == point}
    return _Starts(_switched_on(recorded), _switched_on(sent | recorded))


def _switched_on(told: dict[int, Told]) -> list[datetime]:
    in_turn = [each for _, each in sorted(told.items())]
    return [
        each.at
        for before, each in pairwise(in_turn)  # the first of all is a stop: nobody is there yet
        if each.do == "start"
        and (before.do == "stop" or before.valid_until < each.at - JUST_EXPIRED)
    ]


def _about_starts(night: Night, record: dict[str, Any], starts: _Starts) -> Iterator[str]:
    # A daemon that ends in the very step in which it meets the vehicle never knew of the night;
    # one that ends before the vehicle leaves may start once more before it hears of that, and
    # nothing charges then: such a start may count or not.
    day = night_of(night.comes_at)
    since = parse_instant(record["stays"][0]["plugged_since"])
    recorded, told = ([at for at in each if since <= at and night_of(at) == day] for each in starts)
    least = min(sum(at < night.leaves_at for at in each) for each in (recorded, told))
    # A daemon that starts again on a full disk's record doesn't know of a start that was not taken,
    # though the night may hold it: what it sends next counts as well.
    most = len({*recorded, *told})
    if not least <= record["starts"] <= most:
        yield f"recorded {record['starts']} starts, were {least} to {most}"


def _about_night(night: Night, place: Place, watch: Watch, played: Played) -> Iterator[str]:
    key = (night.point, night_of(night.comes_at))
    alerts = [code for at, _, code in played.alerts if night.comes_at <= at <= night.leaves_at]
    is_short = night.soc_after < NEED_PERCENT - 1
    if is_short and key in watch.known and not alerts and not night.has_wish:
        yield f"it left with {night.soc_after:.1f} %, and nobody was told"
    if key in watch.disturbed or night.has_wish:
        return
    if alerts:
        yield f"nothing was wrong, and {alerts} were raised"
    # A need that the cheap hours are too short for takes dear ones.
    lacking = place.kwh_beyond_cheap_hours(NEED_PERCENT, night.soc_before)
    if night.dear_kwh > lacking + (5 * CLOSE_KWH if lacking else 0):
        yield f"nothing was wrong, and {night.dear_kwh:.2f} kWh flowed in dear hours"
