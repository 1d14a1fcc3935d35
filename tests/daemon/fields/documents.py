"""Documents of every kind, made from invented homes; and changes of schemas that break readers."""

from __future__ import annotations

import copy
from dataclasses import replace
from datetime import UTC, date, datetime
from typing import TYPE_CHECKING, Any

from adapters.ledger.exact_json import dump_exact, load_exact
from daemon.appraise.rows import document
from daemon.bill.comparison import compare_bill
from daemon.bill.file import BillForm
from daemon.bill.show_bill import comparison_values
from daemon.desk.appraised_view import AppraisedView, appraised_row, appraised_values
from daemon.desk.appraising import HomeChoices
from daemon.desk.homes import months_until, read_homes
from daemon.desk.months_view import HomesView, Wanted, homes_values
from daemon.fields.documents import versioned
from daemon.month.rows import month_values
from daemon.night_log.half_hour_rows import half_hour_values
from daemon.night_log.month_reading import ledger_of, read_month
from daemon.night_log.night_rows import night_values
from daemon.nights.metered import metered_half_hours
from daemon.service.house_loading import load_house
from planners.appraisal.appraisal import BatteryYears, ChoiceYear
from tests.daemon.appraise.samples import appraisal, evens, hinges, three
from tests.daemon.month.recorded import hour, recorded

if TYPE_CHECKING:
    from collections.abc import Iterator, Mapping
    from pathlib import Path

NOW = datetime(2026, 11, 1, tzinfo=UTC)
OCTOBER = (2026, 10)


def documents(folder: Path) -> dict[str, list[dict[str, Any]]]:
    """Make documents by the name of their schema, as they are after reading them from JSON."""
    file = recorded(folder, "kowhai", hour(2, 1, 7200) | hour(3, 2, 3600))
    house = load_house(file)
    bill = folder / "bill.csv"
    bill.write_text("band,kwh,cost\nnight,10.8,2.09\npeak,1,0.47\n", "utf-8")
    home, zone = house.file.household, house.file.zone
    with ledger_of(house) as ledger:
        month = read_month(file, house, ledger, OCTOBER, NOW)
        empty = read_month(file, house, ledger, (2026, 6), NOW)
        form = BillForm({}, None, None)
        compared = compare_bill(house, ledger, OCTOBER, bill, form)
        points = list(house.file.charge_points)
        days = (date(2026, 10, 2), date(2026, 10, 3))
        half_hours = metered_half_hours(house, ledger, points, *days)
    values = month_values(month)
    rows = [night_values(row, home.currency) for row in month.nights]
    beside = {"household": home.name, "timezone": home.timezone}
    homes = read_homes([file, folder / "lost.yaml"], months_until(OCTOBER, 12), NOW)
    made = appraisal()
    drawn = [
        HomeChoices(file, home.name, "hatchback", 28, made),
        HomeChoices(file, "x", fault="no"),
    ]
    found: dict[str, list[dict[str, Any]]] = {
        "night": [beside | {"nights": rows}, beside | {"nights": []}],
        "half-hours": [
            beside | {"charge_points": points, "half_hours": half_hour_values(half_hours, zone)}
        ],
        "month": [
            values,
            month_values(empty),
            values | {"bill": comparison_values(compared, zone, home.currency)},
        ],
        "months": [
            homes_values(HomesView(homes, Wanted(OCTOBER))),
            homes_values(HomesView(homes, Wanted(OCTOBER, year_to_date=True))),
            homes_values(HomesView(homes, Wanted(OCTOBER, trend=True))),
        ],
        "appraisal": [
            document(appraisal()),
            document(appraisal(_aged(), break_even=evens(), hinges=hinges())),
        ],
        "appraisals": [
            appraised_values(
                AppraisedView([*map(appraised_row, drawn)], "worth", wrong_tariff_only=False)
            )
        ],
    }
    return {
        name: [load_exact(dump_exact(versioned(name, each))) for each in several]
        for name, several in found.items()
    }


def _aged() -> tuple[ChoiceYear, ...]:
    """Give each choice a battery that ages."""
    battery = BatteryYears(70.0, 21.5, 9.0, 12.5)
    return tuple(replace(each, battery=battery, ageing_cost=120.0) for each in three())


def closed(schema: dict[str, Any]) -> dict[str, Any]:
    """Return a schema that refuses every key that it does not name."""
    made = copy.deepcopy(schema)
    for part in _parts(made):
        if "properties" in part:
            part["additionalProperties"] = False
    return made


def _parts(node: Any) -> Iterator[dict[str, Any]]:  # noqa: ANN401 - JSON
    if isinstance(node, dict):
        yield node
        for value in node.values():
            yield from _parts(value)
    if isinstance(node, list):
        for value in node:
            yield from _parts(value)


def breaks(before: Mapping[str, Any], now: Mapping[str, Any]) -> list[str]:
    """List what a reader of a document's earlier schema would miss, or find as something else.

    Parameters
    ----------
    before, now : mapping
        Its schemas.

    Returns
    -------
    list of str
        Empty if keys were only added. None may go, become something else, or be left out or null
        from now on where it was always there.
    """
    found = []
    places = {"": (before, now)} | {
        name: (part, now["$defs"].get(name, {})) for name, part in before["$defs"].items()
    }
    for name, (old, new) in places.items():
        for key, was in old["properties"].items():
            place, is_now = f"{name}.{key}".lstrip("."), new.get("properties", {}).get(key)
            if is_now is None:
                found.append(f"{place} is gone")
            elif _type(was) != _type(is_now):
                found.append(f"{place} was {_type(was)}, and is {_type(is_now)}")
            elif key in old["required"] and key not in new["required"]:
                found.append(f"{place} was always there, and is not any more")
    return found


def _type(part: Mapping[str, Any]) -> dict[str, Any]:
    """Return all of a key but its words."""
    return {key: value for key, value in part.items() if key != "description"}
