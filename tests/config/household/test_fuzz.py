"""No file can make the loader fail in any other way than by naming faults."""

from __future__ import annotations

from copy import deepcopy
from pathlib import Path
from typing import Any

import yaml
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from config.files.errors import FileError
from config.household.household_file import HouseholdFile
from config.household.loading import load_household
from tests.config.cottage import COTTAGE

EXAMPLE = Path(__file__).parents[3] / "config" / "examples" / "kowhai.yaml"
TEXT = EXAMPLE.read_text(encoding="utf-8")
TREE = yaml.safe_load(TEXT)
KEYS = sorted({key.strip("{- ") for key in COTTAGE.replace(":", "\n").split() if key.islower()})
fuzzed = settings(
    max_examples=2 * settings().max_examples,
    suppress_health_check=[HealthCheck.function_scoped_fixture, HealthCheck.too_slow],
)

scalars = st.one_of(
    st.none(),
    st.booleans(),
    st.integers(),
    st.integers(min_value=10**30),
    st.floats(),
    st.text(max_size=8),
    st.dates(),
    st.sampled_from(
        ["07:20", "21:00-07:00", "mon", "current", "driveway", "hatchback", "NZD", "~"]
    ),
)
trees = st.recursive(
    scalars,
    lambda inner: st.one_of(
        st.lists(inner, max_size=4),
        st.dictionaries(st.one_of(st.sampled_from(KEYS), scalars), inner, max_size=4),
    ),
    max_leaves=12,
)
PIECES = [
    *("&a ", "*a", "!!int ", "!x ", "? ", ": ", "- ", "[", "]", "{", "}", "'", '"', "|\n", ">\n"),
    *("#", "%YAML 9\n", "---\n", "...\n", "\t", "\n", "\r", "\\", "<<: ", "~", ".inf", ".nan"),
    *("0x", "1e999", "-1", "9" * 5000, '"\\ud800"', '"\\UFFFFFFFF"', "\x00", "\x85", "\ufeff"),
    *("\N{LINE SEPARATOR}", "[" * 500, "? " * 500, "- " * 500, "00:00-24:00", "holiday", "null"),
]


def outcome(path: Path) -> HouseholdFile | list[str]:
    try:
        return load_household(path)
    except FileError as error:
        places = [(fault.line, fault.column) for fault in error.faults]
        return [] if min(places) < (1, 1) else str(error).split("\n")


def hold(raw: bytes, folder: Path) -> None:
    """Check that the bytes are a household, or have faults that a terminal can print."""
    path = folder / "house.yaml"
    path.write_bytes(raw)
    result = outcome(path)
    if isinstance(result, list):
        assert result
        assert all(line.startswith(f"{path}:") and line.isprintable() for line in result), result
        assert not any("Input should" in line for line in result), result


@fuzzed
@given(raw=st.binary(max_size=200))
def test_random_bytes(raw: bytes, tmp_path: Path) -> None:
    """Any bytes at all."""
    hold(raw, tmp_path)


@fuzzed
@given(tree=trees)
def test_random_trees(tree: Any, tmp_path: Path) -> None:  # noqa: ANN401 - whatever YAML can hold
    """Any YAML that a program could write."""
    hold(yaml.safe_dump(tree, allow_unicode=True).encode(errors="replace"), tmp_path)


@fuzzed
@given(
    path=st.lists(st.sampled_from([*KEYS, 0, 1]), min_size=1, max_size=4),
    value=trees,
    delete=st.booleans(),
)
def test_random_values(path: list[Any], value: Any, delete: bool, tmp_path: Path) -> None:  # noqa: ANN401, FBT001 - drawn
    """The demo household with a value of any kind in any place, or a key taken away."""
    tree = deepcopy(TREE)
    node = tree
    for step in path[:-1]:
        node = node[step] if _leads_on(node, step) else node
    if isinstance(node, dict):
        node.pop(path[-1], None)
        node.update({} if delete else {path[-1]: value})
    hold(yaml.safe_dump(tree, allow_unicode=True).encode(errors="replace"), tmp_path)


def _leads_on(node: Any, step: Any) -> bool:  # noqa: ANN401 - whatever YAML can hold
    if isinstance(node, dict):
        return isinstance(node.get(step), dict | list)
    return isinstance(step, int) and step < len(node) and isinstance(node[step], dict | list)


@fuzzed
@given(
    start=st.integers(0, len(TEXT)),
    length=st.integers(0, 12),
    piece=st.one_of(st.sampled_from(PIECES), st.text(max_size=4)),
)
def test_random_edits(start: int, length: int, piece: str, tmp_path: Path) -> None:
    """The demo household with a few characters replaced by anything."""
    edited = TEXT[:start] + piece + TEXT[start + length :]
    hold(edited.encode(errors="surrogatepass"), tmp_path)
