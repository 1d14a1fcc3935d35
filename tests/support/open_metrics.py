"""Read OpenMetrics pages with the parser of prometheus-client, and check their rules.

https://github.com/prometheus/OpenMetrics/blob/v1.0.0/specification/OpenMetrics.md
"""

from __future__ import annotations

import re

from prometheus_client.metrics_core import Metric
from prometheus_client.openmetrics.parser import text_string_to_metric_families

UNITS = {"seconds", "joules", "watts", "amperes", "ratio"}
"""The base units (section "Units and Base Units") that are used here."""

Labels = frozenset[tuple[str, str]]


def read_page(text: str) -> list[Metric]:
    """Read a page as a monitoring system does; an invalid page is an error."""
    return list(text_string_to_metric_families(text))  # type: ignore[no-untyped-call]


def figures(text: str) -> dict[str, dict[Labels, float]]:
    """Return the values of a page by name and labels."""
    found: dict[str, dict[Labels, float]] = {}
    for family in read_page(text):
        for sample in family.samples:
            found.setdefault(sample.name, {})[frozenset(sample.labels.items())] = sample.value
    return found


def broken_rules(text: str) -> list[str]:
    """Return every violation of the specification, with its line."""
    lines = text.splitlines()
    broken = [] if text.endswith("# EOF\n") and lines.count("# EOF") == 1 else ["no end"]
    kinds = dict(line.split(" ")[2:4] for line in lines if line.startswith("# TYPE "))
    units = dict(line.split(" ")[2:4] for line in lines if line.startswith("# UNIT "))
    helped = [line.split(" ")[2] for line in lines if re.match(r"# HELP \S+ \S", line)]
    if helped != list(kinds) or len(helped) != len(set(helped)):
        broken.append("not every family has a help and a type, once")
    broken += [f"unit of {name}" for name, unit in units.items() if not _is_unit(name, unit)]
    broken += [
        f"no unit for {name}"
        for name in kinds
        if name not in units and name.rpartition("_")[2] in UNITS
    ]
    for line in lines:
        if not line.startswith("#"):
            broken += _broken_sample(line, kinds)
    return broken


def _is_unit(name: str, unit: str) -> bool:
    return unit in UNITS and name.endswith(f"_{unit}")


def _broken_sample(line: str, kinds: dict[str, str]) -> list[str]:
    name = re.split(r"[{ ]", line, maxsplit=1)[0]
    wanted = {"counter": "_total", "info": "_info", "gauge": ""}
    families = [family for family, kind in kinds.items() if name == family + wanted[kind]]
    return [] if len(families) == 1 else [line]
