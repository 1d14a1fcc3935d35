"""A second accountant, who shares no code with the first.

She opens the ledger with `sqlite3` and the household file with a YAML reader, turns local time
into instants by `zoneinfo` alone, and reckons with fractions. Rules that both keep: between two
readings energy flows evenly while a start is in force, as much as can flow then, and the rest
evenly in the other time; a register that fell has started again from 0; energy up to an instant is
counted in whole watt-hours, a half up; readings further apart than 15 minutes, and those over a
fall, are an estimate.
"""

from __future__ import annotations

import sqlite3
from bisect import bisect_right
from contextlib import closing
from datetime import UTC, date, datetime, time, timedelta
from fractions import Fraction
from itertools import pairwise
from typing import TYPE_CHECKING, Any
from zoneinfo import ZoneInfo

import yaml

if TYPE_CHECKING:
    from collections.abc import Iterator
    from pathlib import Path

WEEK = ("mon", "tue", "wed", "thu", "fri", "sat", "sun")
QUARTER = timedelta(minutes=15)
MICROSECOND = timedelta(microseconds=1)
HOUR_MICROS = timedelta(hours=1) // MICROSECOND


class SecondAccountant:
    """Reads one charge point's meter and prices its energy."""

    def __init__(self, household: Path, ledger: Path) -> None:
        # As text: a float of a rate would not be the rate.
        self.file: Any = yaml.load(household.read_text("utf-8"), yaml.BaseLoader)
        self.zone = ZoneInfo(self.file["household"]["timezone"])
        with closing(sqlite3.connect(ledger)) as connection:
            rows = connection.execute(
                "SELECT at, register_wh FROM readings WHERE register_wh IS NOT NULL ORDER BY at, id"
            ).fetchall()
            commands = connection.execute(
                "SELECT at, valid_until, do FROM commands ORDER BY serial"
            ).fetchall()
        self._starts = [
            (at, min(until, after))
            for (at, until, do), after in zip(
                commands, [*(at for at, _, _ in commands[1:]), float("inf")], strict=True
            )
            if do == "start"
        ]
        shown = dict(rows)
        self.at, self.total, self.guessed = list(shown)[:1], [0], [0]
        for (at, register), (after, following) in pairwise(shown.items()):
            rise, guess = following - register, after - at > QUARTER // MICROSECOND
            fell = rise < 0
            if fell:
                rise, guess = following, True
            base, guessed = self.total[-1], self.guessed[-1]
            for edge, wh in [*(() if fell else self._placed(at, after, rise)), (after, rise)]:
                self.at.append(edge)
                self.total.append(base + wh)
                self.guessed.append(guessed + (wh if guess else 0))

    def _placed(self, at: int, after: int, rise: int) -> Iterator[tuple[int, int]]:
        """List the energy by each instant at which a start began or ended."""
        first = bisect_right(self._starts, at, key=lambda start: start[1])
        near = [start for start in self._starts[first : first + 50] if start[0] < after]
        spans = [(max(begins, at), int(min(ends, after))) for begins, ends in near]
        on = sum(ends - begins for begins, ends in spans)
        if not 0 < on < after - at:
            return
        most = (self._most_watts * on / HOUR_MICROS).__floor__()
        in_starts = min(rise, most)
        for edge in sorted({edge for span in spans for edge in span} - {at, after}):
            on_by_then = sum(max(0, min(ends, edge) - begins) for begins, ends in spans)
            off_by_then = edge - at - on_by_then
            yield (
                edge,
                _half_up(Fraction(in_starts * on_by_then, on))
                + _half_up(Fraction((rise - in_starts) * off_by_then, after - at - on)),
            )

    @property
    def _most_watts(self) -> Fraction:
        """A tenth more than the charge point's power."""
        (point,) = self.file["charge_points"].values()
        volts = self.file["household"].get("nominal_volts", 230)
        return Fraction(point["max_amps"]) * int(point.get("phases", 1)) * Fraction(volts) * 11 / 10

    # --- energy -------------------------------------------------------------------------------

    def until(self, instant: datetime, curve: list[int]) -> int:
        micros = (instant - datetime(1970, 1, 1, tzinfo=UTC)) // timedelta(microseconds=1)
        place = bisect_right(self.at, micros)
        if place in {0, len(self.at)}:
            return curve[-1] if place else 0
        share = Fraction(micros - self.at[place - 1], self.at[place] - self.at[place - 1])
        exact = curve[place - 1] + share * (curve[place] - curve[place - 1])
        return _half_up(exact)

    def energy(self, start: datetime, end: datetime) -> int:
        return self.until(end, self.total) - self.until(start, self.total)

    def estimated(self, start: datetime, end: datetime) -> int:
        return self.until(end, self.guessed) - self.until(start, self.guessed)

    # --- money --------------------------------------------------------------------------------

    def bands(self, start: datetime, end: datetime) -> dict[tuple[str, Fraction], int]:
        """Energy by band and rate with its tax [Wh]."""
        found: dict[tuple[str, Fraction], int] = {}
        edges = [start, *(it for it in self._edges(start, end) if start < it < end), end]
        for begins, ends in pairwise(edges):
            wh = self.energy(begins, ends)
            if wh:
                key = self._band(begins)
                found[key] = found.get(key, 0) + wh
        return found

    def cost(self, start: datetime, end: datetime) -> Fraction:
        return sum(
            (rate * wh / 1000 for (_, rate), wh in self.bands(start, end).items()), Fraction(0)
        )

    def standing_charge(self, day: date) -> Fraction:
        tariff = self._tariff(day)
        tax = Fraction(100 + Fraction(tariff["tax_percent"]), 100)
        return Fraction(tariff["standing_charge"]) * tax

    def instant(self, day: date, at: time) -> datetime:
        return datetime.combine(day, at, tzinfo=self.zone).astimezone(UTC)

    def _tariff(self, day: date) -> Any:  # noqa: ANN401 - YAML
        valid = [it for it in self.file["tariffs"] if it["valid_from"] <= day.isoformat()]
        return valid[-1]

    def _edges(self, start: datetime, end: datetime) -> Iterator[datetime]:
        """Every quarter of an hour of UTC: all bands of the file begin on one."""
        quarter = start.replace(minute=start.minute // 15 * 15, second=0, microsecond=0)
        while quarter < end:
            yield quarter
            quarter += QUARTER

    def _band(self, instant: datetime) -> tuple[str, Fraction]:
        local = instant.astimezone(self.zone)
        tariff = self._tariff(local.date())
        factor = Fraction(100 + Fraction(tariff["tax_percent"]), 100)
        for band in tariff["bands"]:
            on_the_day = "days" not in band or WEEK[local.weekday()] in band["days"]
            if on_the_day and any(_within(hours, local.time()) for hours in band.get("hours", [])):
                return band["name"], Fraction(band["rate"]) * factor
        other = next(band for band in tariff["bands"] if "hours" not in band)
        return other["name"], Fraction(other["rate"]) * factor


def _within(hours: str, at: time) -> bool:
    first, last = (time.fromisoformat(each) for each in hours.split("-"))
    return first <= at < last if first < last else at >= first or at < last


def _half_up(wh: Fraction) -> int:
    return (wh + Fraction(1, 2)).__floor__()


def half_even(amount: Fraction) -> Fraction:
    """Round to the cent, a half to the even one, as Python's `round` does."""
    return Fraction(round(amount * 100), 100)
