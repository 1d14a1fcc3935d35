"""Reads a page of HTML strictly, and what its tests write into it and print it on."""

from __future__ import annotations

from html.parser import HTMLParser

from typing_extensions import override

VOID = {"br", "meta"}
"""Elements without an end (WHATWG HTML, section 13.1.2), of those the page uses."""
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
        """Attributes of all elements of some names."""
        return [attributes for tag, attributes in self.starts if tag in tags]

    @property
    def text(self) -> str:
        """All that is read outside pictures, with single blanks."""
        return " ".join(" ".join(self.texts).split())
