"""LICENCES.md is true, and every licence in it is one that we can live with."""

from __future__ import annotations

from importlib.metadata import distribution

import pytest
from packaging.utils import canonicalize_name

from tests.release.building import ROOT
from tests.release.licences import (
    ALLOWED,
    ALLOWED_FOR_TESTS,
    PAGE,
    for_running,
    for_tests,
    is_allowed,
    licence_of,
    page,
)


def pinned() -> dict[str, str]:
    lines = (ROOT / "constraints.txt").read_text("utf-8").splitlines()
    pairs = (line.split("==") for line in lines if line and not line.startswith("#"))
    return {canonicalize_name(name): version for name, version in pairs}


def test_the_page_is_what_is_pinned_and_installed() -> None:
    """`make licences` would change nothing; what is installed is what the constraints pin."""
    versions = {name: distribution(name).version for name in for_running() | for_tests()}
    assert versions.items() <= pinned().items()
    assert PAGE.read_text("utf-8") == page()


def test_nothing_is_pinned_that_nobody_needs() -> None:
    """So that the page leaves nothing out that an install with the constraints may bring."""
    assert set(pinned()) == for_running() | for_tests()


@pytest.mark.parametrize("name", sorted(for_running()))
def test_what_comes_with_lullwatt_asks_for_a_notice_at_most(name: str) -> None:
    """No licence that reaches over into a home's own programs."""
    assert is_allowed(licence_of(distribution(name)), ALLOWED)


def test_tools_of_the_tests_may_be_used() -> None:
    """Nothing unknown among them either."""
    found = {name: licence_of(distribution(name)) for name in for_tests()}
    assert [each for each in found.items() if not is_allowed(each[1], ALLOWED_FOR_TESTS)] == []


@pytest.mark.parametrize(
    ("expression", "allowed"),
    [
        ("MIT", True),
        ("EPL-2.0 OR BSD-3-Clause", True),
        ("BSD-3-Clause AND Zlib", True),
        ("BSD-3-Clause AND GPL-3.0", False),
        ("AGPL-3.0-only", False),
        ("unknown", False),
        ("", False),
    ],
)
def test_one_alternative_must_do_with_all_of_its_parts(expression: str, *, allowed: bool) -> None:
    """OR leaves a choice, AND does not."""
    assert is_allowed(expression, ALLOWED) == allowed
