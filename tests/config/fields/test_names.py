"""Names become topic levels."""

from __future__ import annotations

import re

import pytest
from hypothesis import given
from hypothesis import strategies as st

from config.fields.names import readable_topic_level, topic_level


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


@pytest.mark.parametrize(
    ("name", "level"),
    [
        ("Haus Müller", "haus-mueller"),
        ("Große Straße 5!", "grosse-strasse-5"),
        ("GRÖßE", "groesse"),
        ("Kōwhai Cottage", "kowhai-cottage"),
        ("Smørrebrød Ærø", "smoerrebroed-aeroe"),
        ("Łódź", "lodz"),
        ("Château d'Œuvre", "chateau-d-oeuvre"),
        ("Haus Mu\N{COMBINING DIAERESIS}ller", "haus-mueller"),
        ("家 7", "7"),
        ("家", ""),
    ],
)
def test_readable_levels(name: str, level: str) -> None:
    """Umlauts are spelled out, accents are dropped; other scripts are left out."""
    assert readable_topic_level(name) == level


@given(st.text(max_size=70))
def test_readable_levels_are_levels(name: str) -> None:
    """No longer than a name may be, and without a hyphen at an end."""
    level = readable_topic_level(name)
    assert level == "" or re.fullmatch("[a-z0-9]+(-[a-z0-9]+)*", level)
    assert len(level) <= 64
    assert topic_level(level) == level
