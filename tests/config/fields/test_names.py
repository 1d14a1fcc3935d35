"""Names become topic levels."""

from __future__ import annotations

import re

import pytest
from hypothesis import given
from hypothesis import strategies as st

from config.fields.names import topic_level


@pytest.mark.parametrize(
    ("name", "level"),
    [
        ("Kowhai Cottage", "kowhai-cottage"),
        ("driveway", "driveway"),
        ("Car  port #2", "car-port-2"),
        ("K\N{LATIN SMALL LETTER O WITH MACRON}whai", "k-whai"),
    ],
)
def test_levels(name: str, level: str) -> None:
    """Lower case, and one hyphen for every run of other characters."""
    assert topic_level(name) == level


@given(st.text())
def test_levels_are_safe(name: str) -> None:
    """No name makes a level with a slash or a wildcard, and a level stays as it is."""
    level = topic_level(name)
    assert re.fullmatch("[a-z0-9-]*", level)
    assert topic_level(level) == level
