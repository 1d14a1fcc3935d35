"""The changelog has a section for the next version."""

from __future__ import annotations

import re

from tests.release.building import ROOT, project
from tests.release.release import changelog_section

TEXT = """# Changelog

## Unreleased

### Added

- More.

## 1.2.0 - 2026-12-01

### Added

- Much.

## 1.1.0 - 2026-11-01
"""


def test_the_changelog_has_something_for_the_next_release() -> None:
    """Its newest section is for the version in pyproject.toml, or is called Unreleased."""
    text = (ROOT / "CHANGELOG.md").read_text("utf-8")
    newest = re.search(r"^## (.+)$", text, re.MULTILINE)
    assert newest is not None
    version = project()["version"]
    assert newest[1] == "Unreleased" or changelog_section(text, version) is not None
    assert "\n- " in text[newest.end() :].partition("\n## ")[0]


def test_a_release_needs_its_own_section() -> None:
    """The section has a date and some content."""
    assert changelog_section(TEXT, "1.2.0") == "### Added\n\n- Much."
    assert changelog_section(TEXT, "1.1.0") is None
    assert changelog_section(TEXT, "1.20") is None
    assert changelog_section(TEXT, "1.3.0") is None


def test_no_text_holds_the_marks_of_a_merge() -> None:
    """Two versions of a passage, left one below the other, are nobody's."""
    marks = tuple(sign * 7 + " " for sign in "<>")
    for path in [*ROOT.glob("*.md"), *ROOT.glob("config/**/*.*"), *ROOT.glob("deploy/**/*.*")]:
        lines = path.read_bytes().decode("utf-8", "replace").splitlines() if path.is_file() else []
        assert not [line for line in lines if line.startswith(marks)], path
