"""A whole service with carbon: messages change its plan, and nights tell what they caused."""

from __future__ import annotations

import json
from datetime import datetime, timedelta
from typing import TYPE_CHECKING

import pytest

from adapters.contract.messages import CarbonIntensity
from adapters.ledger.ledger import Ledger
from tests.daemon.sites import Site, household_file
from tests.daemon.worlds import EVENING, HOUR, MINUTE, NIGHT_BEGINS, NOON, arrived

if TYPE_CHECKING:
    from pathlib import Path

pytestmark = pytest.mark.usefixtures("no_log")

HALF_HOUR = timedelta(minutes=30)


def site_with(tmp_path: Path, ledger: Ledger, at: datetime, meter_wh: float = 1e6) -> Site:
    carbon = "carbon: {kind: average, price_per_tonne: 100}\n\nbus:"
    path = household_file(tmp_path, ("bus:", carbon))
    site = Site(path, ledger, at, meter_wh=meter_wh)
    site.begin()
    return site


def send(site: Site, grams: list[float], start: datetime) -> None:
    values = [
        {"start": start + n * HALF_HOUR, "grams_per_kwh": value} for n, value in enumerate(grams)
    ]
    message = CarbonIntensity.model_validate({"issued": site.clock.now(), "values": values})
    site.service.handle(arrived(site.topics.carbon, message))


def test_intensities_move_a_plan_and_a_night_knows_them_after_a_restart(
    tmp_path: Path, ledger: Ledger
) -> None:
    """Clean from midnight on: the charge waits; the night's kg are those of that hour."""
    site = site_with(tmp_path, ledger, EVENING)
    site.read()
    site.plug_in(60.0)
    assert site.bus.on("plan")[-1]["periods"][0]["start"] == "2026-06-03T09:00:00Z"
    send(site, [300.0] * 11 + [50.0] * 36, EVENING)
    midnight = EVENING + 11 * HALF_HOUR
    plan = site.bus.on("plan")[-1]
    assert datetime.fromisoformat(plan["periods"][0]["start"]) == midnight
    assert plan["carbon"]["kg"] == pytest.approx(plan["energy_kwh"] * 0.05, abs=0.001)
    site.pass_time(midnight + HALF_HOUR - EVENING, every=5 * MINUTE)
    assert site.bus.last("command")["why"].endswith("before 07:20, carbon counted")
    again = site_with(tmp_path, ledger, site.true_now, site.meter_wh)
    again.is_there = True
    again.pass_time(NOON + HOUR - again.true_now, every=10 * MINUTE)
    (night,) = ledger.nights()
    carbon = night["carbon"]
    assert (carbon["kind"], carbon["estimated_kwh"]) == ("average", 0)
    assert float(carbon["kg"]) == pytest.approx(float(night["energy_kwh"]) * 0.05, abs=0.001)
    assert float(carbon["at_once_kg"]) == pytest.approx(float(night["energy_kwh"]) * 0.3, abs=0.01)


def test_a_night_is_told_again_once_its_intensities_are_known(
    tmp_path: Path, ledger: Ledger
) -> None:
    """Closed with nothing known; two days later the measured values come."""
    site = site_with(tmp_path, ledger, EVENING)
    site.read()
    site.plug_in(60.0)
    site.pass_time(NIGHT_BEGINS + 3 * HOUR - EVENING, every=5 * MINUTE)
    site.pass_time(NOON + HOUR - site.true_now, every=30 * MINUTE)
    site.unplug()
    (night,) = ledger.nights()
    assert night["carbon"]["kg"] is None
    send(site, [200.0] * 48, EVENING - 13 * HALF_HOUR)
    site.pass_time(HOUR, every=30 * MINUTE)
    (night,) = ledger.nights()
    kwh = float(night["energy_kwh"])
    assert kwh > 5
    assert float(night["carbon"]["kg"]) == pytest.approx(kwh * 0.2, abs=0.001)
    assert night["carbon"]["estimated_kwh"] == 0


def test_bad_messages_change_nothing(tmp_path: Path, ledger: Ledger) -> None:
    """What can't be read is logged; what can't be true is an alert until something good comes."""
    site = site_with(tmp_path, ledger, EVENING)
    site.read()
    site.plug_in(60.0)
    plans = len(site.bus.on("plan"))
    made, start = EVENING.isoformat(), (EVENING + HOUR).isoformat()
    for values in (
        [],
        [{"start": start[:19], "grams_per_kwh": 5}],
        [{"start": start, "grams_per_kwh": "clean"}],
        [{"start": start, "kw": 5}],
        [{"start": start, "grams_per_kwh": -5}],
    ):
        payload = json.dumps({"v": 1, "issued": made, "values": values}).encode()
        site.service.handle(arrived(site.topics.carbon, payload))
        site.pass_time(MINUTE)
    assert ledger.intensity_points("bus") == ()
    assert len(site.bus.on("plan")) == plans
    assert "carbon-refused" in site.bus.on("status")[-1]["alerts"]
    assert "-5 g/kWh at 2026-06-03 07:30 UTC" in site.bus.on("alert")[-1]["message"]
    send(site, [300.0, 200.0], EVENING)
    site.pass_time(MINUTE)
    assert "carbon-refused" not in site.bus.on("status")[-1]["alerts"]
