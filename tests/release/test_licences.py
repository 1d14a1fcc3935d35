"""LICENCES.md is true, and every licence in it is allowed."""

from __future__ import annotations

from importlib.metadata import distribution

import pytest

from tests.release.licences import (
    ALLOWED,
    ALLOWED_APART,
    ALLOWED_FOR_TESTS,
    PAGE,
    for_fleets,
    for_running,
    for_tests,
    is_allowed,
    licence_of,
    page,
)
from tests.release.locks import locked


def pinned() -> dict[str, str]:
    return {name: entry.version for name, entry in locked().items()}


def test_the_page_is_what_is_pinned_and_installed() -> None:
    """`make licences` would change nothing; the installed versions are the pinned ones."""
    versions = {
        name: distribution(name).version for name in for_running() | for_fleets() | for_tests()
    }
    assert versions.items() <= pinned().items()
    assert PAGE.read_text("utf-8") == page()


def test_no_unneeded_package_is_pinned() -> None:
    """So the page lists every package that an install with the constraints may bring."""
    assert set(pinned()) == for_running() | for_fleets() | for_tests()


@pytest.mark.parametrize("name", sorted(for_running() | for_fleets()))
def test_licences_of_dependencies_require_a_notice_at_most(name: str) -> None:
    """No licence affects the user's own programs; one package stays apart and replaceable."""
    licence = licence_of(distribution(name))
    assert ALLOWED_APART.get(name) == licence or is_allowed(licence, ALLOWED)


def test_tools_of_the_tests_may_be_used() -> None:
    """None of them has an unknown licence."""
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
def test_one_alternative_must_be_allowed_in_all_parts(expression: str, *, allowed: bool) -> None:
    """OR gives a choice, AND does not."""
    assert is_allowed(expression, ALLOWED) == allowed
