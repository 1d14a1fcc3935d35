"""Pages of figures, held against OpenMetrics 1.0.0 and read back by the library's own parser.

https://github.com/prometheus/OpenMetrics/blob/v1.0.0/specification/OpenMetrics.md
"""

from __future__ import annotations

import pytest

from adapters.metrics.families import Family
from adapters.metrics.page import CONTENT_TYPE, page
from tests.support.open_metrics import read_page

ENERGY = Family(
    "lullwatt_energy_joules", "counter", "The meter's register.",
    (({"charge_point": "driveway"}, 3_600_000.0),), "joules",
)  # fmt: skip
BUILD = Family("lullwatt_build", "info", "Which it is.", (({"version": "0.1.0"}, 1.0),))
POWER = Family("lullwatt_power_watts", "gauge", "What the meter showed.", (({}, 7360.5),), "watts")


def test_a_page_is_as_the_specification_writes_it() -> None:
    """Help, type and unit before the samples; _total and _info after names; # EOF at the end."""
    assert page([BUILD, ENERGY, POWER]).decode() == (
        "# HELP lullwatt_build Which it is.\n"
        "# TYPE lullwatt_build info\n"
        'lullwatt_build_info{version="0.1.0"} 1.0\n'
        "# HELP lullwatt_energy_joules The meter's register.\n"
        "# TYPE lullwatt_energy_joules counter\n"
        "# UNIT lullwatt_energy_joules joules\n"
        'lullwatt_energy_joules_total{charge_point="driveway"} 3.6e+06\n'
        "# HELP lullwatt_power_watts What the meter showed.\n"
        "# TYPE lullwatt_power_watts gauge\n"
        "# UNIT lullwatt_power_watts watts\n"
        "lullwatt_power_watts 7360.5\n"
        "# EOF\n"
    )


def test_a_page_without_metrics_is_valid() -> None:
    """It contains only the end."""
    assert page([]) == b"# EOF\n"


@pytest.mark.parametrize("name", ['car "port"', "back\\slash", "two\nlines", "Garāža ⚡", "# EOF"])
def test_any_name_of_a_charge_point_is_escaped(name: str) -> None:
    """The name is read back unchanged, and adds no line."""
    text = page([Family("lullwatt_x", "gauge", "X.", (({"charge_point": name}, 1.0),))]).decode()
    [family] = read_page(text)
    assert family.samples[0].labels == {"charge_point": name}
    assert len(text.splitlines()) == 4


def test_its_type_is_that_of_the_specification() -> None:
    """It is the media type that the specification requires."""
    assert CONTENT_TYPE == "application/openmetrics-text; version=1.0.0; charset=utf-8"
