"""A ledger filled with nights that agree with their readings, for the benchmark of years.

One charge point of the demo household: each night 26 kWh from nine in the evening, with as many
rows, and as long ones, as a rehearsed night leaves.
"""

from __future__ import annotations

from collections.abc import Iterator
from datetime import date, time, timedelta
from decimal import Decimal
from pathlib import Path
from zoneinfo import ZoneInfo

from adapters.ledger.exact_json import dump_exact
from adapters.ledger.ledger import Ledger, open_ledger
from adapters.ledger.rows import to_micros
from config.calendar.account_days import AccountDays
from planners.local_time.conversion import instant_of_local
from planners.local_time.departures import night_bounds

POINT = "driveway"
ZONE = ZoneInfo("Pacific/Auckland")
DAYS = AccountDays(ZONE)
LAST_NIGHT = date(2026, 10, 31)
DAY = timedelta(days=1)
NIGHT_WH = 26_000
CHARGES = (time(21), time(0, 30))
REPORTS, COMMANDS, PLANS, NIGHTS_PER_ALERT = 46, 16, 5, 10
PLAN_LENGTH = 1900


def fill(path: Path, nights: int, readings: int) -> None:
    """Make a ledger with all these nights, in one transaction for each of them."""
    with open_ledger(path) as ledger:
        for number in range(nights):
            night = LAST_NIGHT - (nights - 1 - number) * DAY
            with ledger._writing():
                _fill_night(ledger, night, number, readings)


def _fill_night(ledger: Ledger, night: date, number: int, readings: int) -> None:
    start, end = night_bounds(night, DAYS)
    add, begin = ledger._connection.executemany, NIGHT_WH * number
    add(
        "INSERT INTO readings (charge_point, at, register_wh, watts, amps) VALUES (?, ?, ?, ?, ?)",
        _readings(night, begin, readings),
    )
    at = [to_micros(start + i * (end - start) / REPORTS) for i in range(REPORTS)]
    add(
        "INSERT INTO vehicle_reports (charge_point, at, pilot, soc_percent) VALUES (?, ?, ?, ?)",
        [(POINT, each, "C", 35.0 + i) for i, each in enumerate(at)],
    )
    add(
        "INSERT INTO commands (charge_point, serial, at, do, amps, valid_until, why, plan)"
        " VALUES (?, ?, ?, ?, ?, ?, ?, ?)",
        [
            (POINT, COMMANDS * number + i, at[i], "start" if 3 < i < COMMANDS - 3 else "stop",
             32.0, at[i] + 1_800_000_000, "cheapest hours before 07:20", f"hatchback@{at[0]}")
            for i in range(COMMANDS)
        ],
    )  # fmt: skip
    plan = dump_exact({"charge_point": POINT, "why": ["x" * PLAN_LENGTH]})
    add(
        "INSERT INTO plans (charge_point, made_at, body) VALUES (?, ?, ?)",
        [(POINT, each, plan) for each in at[:PLANS]],
    )
    if number % NIGHTS_PER_ALERT == 0:
        add(
            "INSERT INTO alerts (charge_point, at, code, message) VALUES (?, ?, ?, ?)",
            [(POINT, at[0], "need-unmet", "The need can't be met before 07:20.")],
        )
    add(
        "INSERT INTO nights (night, charge_point, vehicle, closed_at, body) VALUES (?, ?, ?, ?, ?)",
        [(night.isoformat(), POINT, "hatchback", to_micros(end), dump_exact(body_of(night)))],
    )


def _readings(night: date, begin_wh: int, rows: int) -> Iterator[tuple[object, ...]]:
    start, end = night_bounds(night, DAYS)
    on = instant_of_local(night, CHARGES[0], ZONE)
    off = instant_of_local(night + DAY, CHARGES[1], ZONE)
    for i in range(rows):
        at = start + i * (end - start) / rows
        share = min(1.0, max(0.0, (at - on) / (off - on)))
        flows = 0 < share < 1
        yield (
            POINT, to_micros(at), begin_wh + round(share * NIGHT_WH),
            7360.0 + i % 7 if flows else 0.0, 32.0 if flows else 0.0,
        )  # fmt: skip


def body_of(night: date) -> dict[str, object]:
    """Give the record of a night, with the keys of a real one."""
    start, end = night_bounds(night, DAYS)
    closed = end.strftime("%Y-%m-%dT%H:%M:%SZ")
    cost = Decimal("5.02")
    return {
        "night": night.isoformat(), "charge_point": POINT, "vehicle": "hatchback",
        "currency": "NZD", "energy_kwh": Decimal("26.000"), "cost": cost,
        "by_band": [{"band": "night", "rate": Decimal("0.19320"), "kwh": Decimal("26.000"),
                     "cost": Decimal("5.02320000")}],
        "soc_before_percent": 35.0, "soc_after_percent": 80.0, "soc_from": "vehicle",
        "need_percent": 60.0, "need_met": True, "starts": 1, "planned_cost": cost,
        "estimated_kwh": Decimal("0.000"), "standing_charge": Decimal("2.18"),
        "baselines": {"at_once": {"cost": Decimal("10.19")}, "timer": {"cost": cost},
                      "hindsight": {"cost": cost}},
        "plugged_since": start.strftime("%Y-%m-%dT%H:%M:%SZ"), "departure": closed,
        "closed_at": closed,
    }  # fmt: skip
