"""Read a page of HTML strictly, and check what must hold for every page."""

from __future__ import annotations

import re
from html.parser import HTMLParser
from itertools import pairwise

from typing_extensions import override

VOID = {"br", "input", "link", "meta"}
"""Elements without an end tag that the pages use (WHATWG HTML, section 13.1.2)."""
HOSTILE = """<script>alert('x')</script>"&amp; $\\frac{1}{2}$ {{ 7 * 7 }} {% raw %}"""
A4_POINTS = (595.28, 841.89)
"""210 mm x 297 mm (ISO 216) at 72 points to 25.4 mm."""


class Tree(HTMLParser):
    """Reads a page strictly: every element must end, in order."""

    def __init__(self, page: str) -> None:
        super().__init__()
        self.open: list[str] = []
        self.starts: list[tuple[str, dict[str, str | None]]] = []
        self.rows: list[list[str]] = []
        self.texts: list[str] = []
        self.feed(page)
        self.close()
        assert self.open == []

    @override
    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        self.starts.append((tag, dict(attrs)))
        if tag == "tr":
            self.rows.append([])
        if tag in {"td", "th"}:
            self.rows[-1].append("")
        if tag not in VOID:
            self.open.append(tag)

    @override
    def handle_startendtag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        self.starts.append((tag, dict(attrs)))

    @override
    def handle_endtag(self, tag: str) -> None:
        assert self.open.pop() == tag

    @override
    def handle_data(self, data: str) -> None:
        if {"td", "th"} & set(self.open):
            self.rows[-1][-1] += data
        if not {"style", "svg"} & set(self.open):
            self.texts.append(data)

    def all(self, *tags: str) -> list[dict[str, str | None]]:
        """List the attributes of all elements with one of these names."""
        return [attributes for tag, attributes in self.starts if tag in tags]

    @property
    def text(self) -> str:
        """The text outside pictures, with single blanks."""
        return " ".join(" ".join(self.texts).split())


def check_references(page: str, tree: Tree) -> None:
    """Check that ids are unique, and that links, labels and pictures refer to existing ones."""
    ids = [attributes["id"] for _, attributes in tree.starts if "id" in attributes]
    assert len(ids) == len(set(ids))
    used = re.findall(r'(?:href="#|url\(#|aria-labelledby=")([^")]+)', page)
    assert len(used) > 20
    assert set(used) <= set(ids)


def check_self_contained(page: str, tree: Tree) -> None:
    """Check that a page has no script and loads nothing, and tells browsers so."""
    assert not re.search(r"(?i)\bhttps?:|\bsrc\s*=|@import|@font-face|javascript:|data:", page)
    assert not tree.all("script", "link", "img", "iframe", "object", "embed", "base", "form")
    assert all((each["href"] or "").startswith("#") for each in tree.all("a", "use"))
    assert not [key for _, attributes in tree.starts for key in attributes if key.startswith("on")]
    policy = [each.get("content") for each in tree.all("meta")]
    assert "default-src 'none'; style-src 'unsafe-inline'" in policy


def check_accessible(tree: Tree, *, tables: int, pictures: int, skip_to: str) -> None:
    """Check by WCAG 2.2: language, headings in order, captions, scopes, labels, a skip link."""
    assert tree.all("html") == [{"lang": "en-GB"}]
    levels = [int(tag[1]) for tag, _ in tree.starts if re.fullmatch(r"h[1-6]", tag)]
    assert levels[0] == 1
    assert levels.count(1) == 1
    assert all(after - before <= 1 for before, after in pairwise(levels))
    assert len(tree.all("table")) == len(tree.all("caption")) == tables
    assert {each.get("scope") for each in tree.all("th")} == {"col", "row"}
    assert len(picture_labels(tree)) == len(tree.all("figure")) == pictures
    assert tree.all("a")[0] == {"class": "skip", "href": skip_to}
    regions = [each for each in tree.all("div") if each.get("class") == "scroll"]
    assert all(each["tabindex"] == "0" and each["role"] == "group" for each in regions)


def picture_labels(tree: Tree) -> list[str]:
    """List what a screen reader reads for each picture."""
    return [str(each["aria-label"]) for each in tree.all("div") if each.get("role") == "img"]
