"""Choose, sort and lay out what choices are worth to many homes. Pure."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any, Final

from rich.console import Group
from rich.table import Table
from rich.text import Text

from daemon.appraise.rows import MONEY, PLAIN
from daemon.desk.months_view import listed
from daemon.presentation.csv_text import csv_text

if TYPE_CHECKING:
    from collections.abc import Iterator, Mapping, Sequence

    from rich.console import RenderableType

    from daemon.desk.appraising import HomeChoices
    from daemon.presentation.csv_text import CsvStyle
    from planners.appraisal.appraisal import ChoiceYear

COLUMNS: Final = (
    "household", "year", "currency", "vehicle", "nights_recorded", "tariff_now", "year_cost_now",
    "nights_short_now", "cheapest", "cheapest_tariff", "year_cost_cheapest",
    "nights_short_cheapest", "saves_per_year", "outlay", "payback_years", "keep_years",
    "saves_over_years", "wrong_tariff", "file", "remark", "fault",
)  # fmt: skip
LEAST = 0.005
"""A saving that rounds to nothing is none [currency a year]."""


class AppraisedView:
    """Rows of homes, from `appraised_row`: those that gain most first, or by name; and totals."""

    def __init__(
        self, rows: Sequence[dict[str, Any]], sort_by: str, *, wrong_tariff_only: bool
    ) -> None:
        self.count, self._all = len(rows), rows
        wanted = (row for row in rows if row["wrong_tariff"] or row["fault"])
        self.rows = sorted(
            wanted if wrong_tariff_only else rows, key=lambda row: _order(row, sort_by)
        )

    def totals(self) -> list[dict[str, Any]]:
        """Count the homes on the wrong tariff, and add up what it is worth, by currency."""
        known = [row for row in self._all if row["fault"] is None]
        return [
            {
                "currency": currency,
                "homes": len(rows),
                "wrong_tariff": len(wrong),
                "saves_per_year": round(sum(row["saves_per_year"] for row in wrong), MONEY),
            }
            for currency in dict.fromkeys(row["currency"] for row in known)
            for rows in [[row for row in known if row["currency"] == currency]]
            for wrong in [[row for row in rows if row["wrong_tariff"]]]
        ]


def appraised_row(home: HomeChoices) -> dict[str, Any]:
    """Make the row of a home: `COLUMNS`, and the figures of each choice."""
    choices = () if home.appraisal is None else home.appraisal.choices
    return _row(home) | {"choices": [*map(_choice, choices)]}


def _row(home: HomeChoices) -> dict[str, Any]:
    beside = {"file": str(home.file), "remark": "; ".join(home.remarks), "fault": home.fault}
    it, now, best = home.appraisal, home.now, home.cheapest
    if it is None or now is None or best is None:
        return dict.fromkeys(COLUMNS) | {"household": home.name} | beside
    saves = round(now.year_cost - best.year_cost, MONEY) + 0.0
    return {
        "household": home.name,
        "year": it.year,
        "currency": it.currency,
        "vehicle": home.vehicle,
        "nights_recorded": home.nights,
        "tariff_now": now.tariff,
        "year_cost_now": round(now.year_cost, MONEY),
        "nights_short_now": now.nights_short,
        "cheapest": best.name,
        "cheapest_tariff": best.tariff,
        "year_cost_cheapest": round(best.year_cost, MONEY),
        "nights_short_cheapest": best.nights_short,
        "saves_per_year": saves,
        "outlay": round(best.outlay, MONEY),
        "payback_years": None if best.payback_years is None else round(best.payback_years, PLAIN),
        "keep_years": it.keep_years,
        "saves_over_years": round(now.total_over_years - best.total_over_years, MONEY) + 0.0,
        "wrong_tariff": home.wrong_tariff and best is not now and saves > LEAST,
        **beside,
    }


def _order(row: Mapping[str, Any], sort_by: str) -> tuple[int, Any]:
    """Put what can't be appraised last."""
    if row["fault"] is not None:
        return 1, 0
    return 0, row["household"].casefold() if sort_by == "name" else -row["saves_per_year"]


def appraised_values(view: AppraisedView) -> dict[str, Any]:
    """Make the JSON document, with the cost of every choice for every home."""
    return {"homes": view.rows, "totals": view.totals()}


def _choice(choice: ChoiceYear) -> dict[str, Any]:
    return {
        "name": choice.name,
        "tariff": choice.tariff,
        "year_cost": round(choice.year_cost, MONEY),
        "saves_per_year": round(choice.saves_per_year, MONEY) + 0.0,
        "nights_short": choice.nights_short,
        "outlay": round(choice.outlay, MONEY),
    }


def appraised_csv(view: AppraisedView, style: CsvStyle | None = None) -> str:
    """Write a row for each home."""
    return csv_text(COLUMNS, view.rows, style)


def show_appraised(view: AppraisedView) -> RenderableType:
    """Lay out the answer, a row for each home, remarks and faults."""
    table = Table(box=None, pad_edge=False, padding=(0, 1, 0, 0), header_style="dim")
    for name in ("home", "tariff now", "a year", "cheapest choice", "a year", "saves a year", ""):
        numeric = name in {"a year", "saves a year"}
        table.add_column(name, justify="right" if numeric else "left")
    for row in view.rows:
        table.add_row(*_cells(row), style="bold" if row["wrong_tariff"] else "")
    return Group(
        *(Text(line, style="bold") for line in _answer(view)),
        "",
        table,
        "",
        *listed("Not appraised", view.rows, "fault"),
        *listed("Remarks", view.rows, "remark"),
        Text(
            "Each home by the record of its own ledger, repeated over the year. A year: energy for"
            " charging, maintenance, and how much more than today the standing charge and the rest"
            " of the home cost; without outlays and grants. What the rest of the home uses, the"
            " times away and the needs are those of the choices file."
        ),
    )


def _answer(view: AppraisedView) -> Iterator[str]:
    totals = view.totals()
    failed = view.count - sum(total["homes"] for total in totals)
    for total in totals:
        yield (
            f"{total['wrong_tariff']} of {total['homes']} homes would pay less on another tariff:"
            f" {total['currency']} {total['saves_per_year']:,.2f} a year together."
        )
    if failed:
        yield f"{failed} of {view.count} homes could not be appraised."


def _cells(row: Mapping[str, Any]) -> list[Text]:
    if row["fault"] is not None:
        return [Text(row["household"]), Text("not appraised")]
    best = "as it is now" if row["saves_per_year"] <= LEAST else row["cheapest"]
    short = row["nights_short_cheapest"] - row["nights_short_now"]
    remarks = [f"{short:+d} nights short"] if short else []
    remarks += [f"outlay {row['outlay']:,.2f}"] if row["outlay"] else []
    return [
        Text(row["household"]),
        Text(row["tariff_now"]),
        Text(f"{row['year_cost_now']:,.2f}"),
        Text(best),
        Text(f"{row['year_cost_cheapest']:,.2f}"),
        Text(f"{row['saves_per_year']:,.2f}"),
        Text("; ".join([row["currency"], *remarks])),
    ]
