"""What every test rests on: pinned time zones, default logs, and reproducible property tests."""

from __future__ import annotations

import gc
import os
from collections.abc import Iterator

import pytest
import structlog
from hypothesis import HealthCheck, settings

from config.fields.zones import use_pinned_zones

use_pinned_zones()

EXAMPLES = int(os.environ.get("LULLWATT_EXAMPLES", "12"))
"""How many examples a law is tried on where it names no number; `make prove` asks for more."""

settings.register_profile(
    "deterministic",
    max_examples=EXAMPLES,
    derandomize=True,
    deadline=None,
    suppress_health_check=[HealthCheck.too_slow],  # a busy machine is no fault of the test
)
settings.load_profile("deterministic")


@pytest.fixture(autouse=True)
def _logs_as_they_were() -> Iterator[None]:
    """Keep the logs that one test's command line set up from the next test of the process."""
    yield
    structlog.reset_defaults()


LONGEST = ("tests/release/", "tests/deploy/", "tests/faults/", "tests/upgrade/")
"""The folders whose modules take longest, or wait longest for processes to end and start."""


def pytest_collection_modifyitems(items: list[pytest.Item]) -> None:
    """Begin with the longest modules: as the last ones they leave the other cores idle."""
    items.sort(key=lambda item: not item.nodeid.startswith(LONGEST))


def pytest_collection_finish() -> None:
    """Spare the garbage collector the modules and thousands of tests, which all stay to the end.

    What tests make is looked through after 200,000 new objects: after 700 it takes a twentieth of
    the time.
    """
    gc.collect()
    gc.freeze()
    gc.set_threshold(200_000, 20, 20)
