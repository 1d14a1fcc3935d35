"""`check`, `why`, `status`, the metrics and the broker's access list know of grid limits."""

from __future__ import annotations

import json
from typing import TYPE_CHECKING

from adapters.contract.messages import DaemonState, LimitOfGrid, Status
from adapters.wired.access_list import access_list
from daemon.check.connections import explain_connections
from daemon.observers.metrics import DaemonShown, PointShown, families_of
from daemon.remote.health import PointReport, Report
from daemon.remote.show_status import status_lines
from daemon.service.house_loading import load_house
from daemon.why.command import whys_of
from daemon.why.explanation import explain_night
from tests.daemon.grid_limit.homes import SECOND, Home
from tests.daemon.worlds import EVENING, HOUR, POINT, kowhai

if TYPE_CHECKING:
    from pathlib import Path

    from adapters.ledger.ledger import Ledger

CONTACT = {"topic": "relay/7", "limit_kw": 4.2}


def test_why_tells_of_it(tmp_path: Path, ledger: Ledger) -> None:
    """When it came, until when it was to hold, and that it was lifted."""
    home = Home(tmp_path, ledger)
    home.limit(kw=1, until=EVENING + 2 * HOUR)
    home.ask(charge_now=True)
    home.advance(HOUR)
    home.limit(lifted=True)
    home.advance(SECOND)
    house = load_house(home.path)
    (why,) = whys_of(home.path, house, ledger, (None, POINT), home.clock.now())
    assert "grid-limited" in explain_night(why.history).causes
    assert [entry.text for entry in why.story if entry.kind == "grid"] == [
        "the grid operator allows only 1 kW until 20:30",
        "the grid operator's limit is lifted",
    ]


def test_check_and_the_access_list_name_what_is_declared(tmp_path: Path, ledger: Ledger) -> None:
    """A contact has an account of its own; without `grid_limit` there is none."""
    rules = {"bounds": "home", "contact": CONTACT}
    home = Home(tmp_path, ledger, more=f"grid_limit: {json.dumps(rules)}")
    file = load_house(home.path).file
    said = list(explain_connections(file))
    assert "  While the contact on relay/7 is closed, 4.2 kW are allowed." in said
    assert any("kowhai-cottage/grid-limit and bound the whole home;" in line for line in said)
    assert "user kowhai-cottage.grid-limit\ntopic write relay/7" in access_list(file)
    assert "grid-limit" not in access_list(kowhai().file)


def test_status_and_metrics_show_what_is_allowed() -> None:
    """In the units of OpenMetrics, and until when."""
    limits = (LimitOfGrid(kw=4.2, until=EVENING + HOUR), LimitOfGrid(amps=16.0))
    status = Status(
        at=EVENING, stale_after=EVENING + HOUR, connected=True, charging=False, grid_limits=limits
    )
    report = Report({POINT: PointReport(status, None)}, DaemonState(state="online"))
    lines = "\n".join(status_lines(report, kowhai().file, EVENING))
    assert "allows only 4.2 kW, until Wed 03 Jun 19:30" in lines
    assert "allows only 16 A, until it is lifted" in lines
    daemon = DaemonShown(EVENING, "1", "NZD", connected=True, records=True)
    families = {
        each.name: each.figures for each in families_of(daemon, {POINT: PointShown(status)})
    }
    assert families["lullwatt_grid_limit_watts"] == (({}, 4200.0),)
    assert families["lullwatt_grid_limit_amperes"] == (({}, 16.0),)
