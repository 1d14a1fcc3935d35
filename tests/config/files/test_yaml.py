"""YAML is read by the core schema of YAML 1.2, with the place of every key and value."""

from __future__ import annotations

import math
from typing import Any

import pytest

from config.files.yaml_scalars import NO_VALUE, plain_value
from config.files.yaml_tree import read_yaml


@pytest.mark.parametrize(
    ("text", "value"),
    [
        ("true", True),
        ("FALSE", False),
        ("0o14", 12),
        ("0x3A", 58),
        ("-19", -19),
        ("007", 7),
        ("0.", 0.0),
        ("-0.0", -0.0),
        (".5", 0.5),
        ("+12e03", 12000.0),
        ("-2E+05", -200000.0),
        (".inf", math.inf),
        ("-.Inf", -math.inf),
        ("+.INF", math.inf),
    ],
)
def test_core_schema(text: str, value: object) -> None:
    """Values of YAML 1.2.2, section 10.3.2 (its examples where it has one)."""
    read = plain_value(text)
    assert read == value
    assert type(read) is type(value)


@pytest.mark.parametrize("text", ["", "~", "null", "Null", "NULL"])
def test_nothing(text: str) -> None:
    """A null of YAML is no value, and no key of ours accepts it."""
    assert plain_value(text) is NO_VALUE


def test_not_a_number() -> None:
    """YAML's .nan is a number to YAML; the models refuse it."""
    read = plain_value(".NaN")
    assert isinstance(read, float)
    assert math.isnan(read)


@pytest.mark.parametrize(
    "text",
    [
        *("yes", "no", "on", "off", "y", "tRUE", "nULL", "7:20", "190:20:30", "2026-04-01"),
        *("1_000", "0b11", "1e", ".", "-", "+.nan", "0o8", "1,5", "\N{FULLWIDTH DIGIT ONE}"),
        "9" * 31,
    ],
)
def test_text(text: str) -> None:
    """All else is text: YAML 1.1's words, base 60, dates, separators of thousands."""
    assert plain_value(text) == text


def test_places() -> None:
    """Keys and values have the line and column of their first character, counted from 1."""
    tree = read_yaml("a:\n  - b: 1\n    c: 'x'\n  - [y, {d: }]\n")
    data: Any = {"a": [{"b": 1, "c": "x"}, ["y", {"d": NO_VALUE}]]}
    assert tree.data == data
    assert tree.flaws == []
    values = {path: (spot.line, spot.column, spot.shown) for path, spot in tree.values.items()}
    assert values["a", 0, "b"] == (2, 8, "1")
    assert values["a", 0, "c"] == (3, 8, '"x"')
    assert values["a", 1, 0] == (4, 6, '"y"')
    assert values["a", 1, 1, "d"] == (4, 12, "nothing")
    assert (tree.keys["a", 0, "c"].line, tree.keys["a", 0, "c"].column) == (3, 5)


def test_shown_texts_hide_passwords() -> None:
    """An address with a password in it is never shown with the password."""
    (shown,) = (spot.shown for path, spot in read_yaml("a: x://me:pw@hub").values.items() if path)
    assert shown == '"x://...@hub"'


def test_flaws_are_collected() -> None:
    """Anchors, aliases, tags and repeated keys are all reported, and reading goes on."""
    tree = read_yaml("a: &x 1\nb: *x\nc: !!str 2\na: 3\n1: 4\nd: 5\n")
    assert [spot.line for spot, _ in tree.flaws] == [1, 2, 3, 4, 5]
    assert tree.data == {"a": 1, "b": NO_VALUE, "c": 2, "1": 4, "d": 5}
