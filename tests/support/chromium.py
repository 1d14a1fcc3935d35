"""Lay out a page in headless Chromium at several widths, and print it."""

from __future__ import annotations

import json
import re
import shutil
import subprocess
from html import escape, unescape
from typing import TYPE_CHECKING, NamedTuple

import pytest

from tests.support.waiting import patience

if TYPE_CHECKING:
    from collections.abc import Sequence
    from pathlib import Path

LIMIT_SECONDS = 60

MEASURE = """
<pre id="measured"></pre><script>
function parts(page, what) {
  return [...page.querySelectorAll("body *")].filter(what).map(e => e.tagName + " " + e.className);
}
function hidden(e) { return e.closest("svg, .scroll, .skip, details") !== null; }
addEventListener("load", () => {
  const found = [...document.querySelectorAll("iframe")].map(frame => {
    const page = frame.contentDocument, width = page.documentElement.clientWidth;
    return {
      width, scroll: page.scrollingElement.scrollWidth,
      out: parts(page, e => !hidden(e) && e.getBoundingClientRect().right > width + 0.5),
      pictures: [...page.querySelectorAll("svg")].map(e => e.getBoundingClientRect().width),
      letters: [...page.querySelectorAll("svg text")]
        .map(e => e.getBoundingClientRect().height).filter(height => height > 0),
      tables: [...page.querySelectorAll(".scroll")].map(e => [e.clientWidth, e.scrollWidth]),
    };
  });
  document.getElementById("measured").textContent = JSON.stringify(found);
});
</script>"""
"""Goes around copies of the page, never into it; the page itself runs no script."""


class Measured(NamedTuple):
    """The measures of a page at one window width, in CSS pixels.

    `out` lists the elements that overflow at the right, `pictures` has the widths of pictures
    (0 for hidden ones), `letters` the heights of text in pictures, `tables` the width of each
    scrolling part and of its content.
    """

    width: float
    scroll: float
    out: list[str]
    pictures: list[float]
    letters: list[float]
    tables: list[tuple[float, float]]


class Printed(NamedTuple):
    """A printed page: the number of sheets, and the size of each [points]."""

    pages: int
    size: tuple[float, float]


def measured(directory: Path, page: str, widths: Sequence[int]) -> list[Measured]:
    """Lay a page out at some widths, in frames, because a window has a minimum width."""
    frames = "".join(
        f'<iframe width="{width}" height="800" style="border:0" srcdoc="{escape(page)}"></iframe>'
        for width in widths
    )
    copy = directory / "frames.html"
    copy.write_text(f"<!DOCTYPE html><meta charset=utf-8>{frames}{MEASURE}", "utf-8")
    dom = _chromium(directory, "--dump-dom", copy.as_uri()).decode("utf-8")
    found = re.search(r'<pre id="measured">(.+?)</pre>', dom, re.DOTALL)
    assert found, "the page was not measured"
    return [Measured(**each) for each in json.loads(unescape(found[1]))]


def printed(directory: Path, page: str) -> Printed:
    """Print a page on its own size of paper."""
    source, paper = directory / "page.html", directory / "page.pdf"
    source.write_text(page, "utf-8")
    _chromium(directory, "--no-pdf-header-footer", f"--print-to-pdf={paper}", source.as_uri())
    content = paper.read_bytes()
    counts = [int(count) for count in re.findall(rb"/Type\s*/Pages\b[^>]*?/Count (\d+)", content)]
    box = re.search(rb"/MediaBox\s*\[0 0 ([\d.]+) ([\d.]+)\]", content)
    assert counts
    assert box
    return Printed(max(counts), (float(box[1]), float(box[2])))


def _chromium(directory: Path, *arguments: str) -> bytes:
    program = shutil.which("chromium")
    if program is None:
        pytest.fail("Chromium is not installed: make chromium")
    run = subprocess.run(
        [
            program,
            "--headless=new",
            "--no-sandbox",  # it opens nothing but our own page, and may be run by root
            "--disable-gpu",
            "--hide-scrollbars",
            "--disable-dev-shm-usage",
            "--no-first-run",
            "--disable-background-networking",
            "--disable-component-update",
            f"--user-data-dir={directory / 'profile'}",
            *arguments,
        ],
        capture_output=True,
        check=False,
        timeout=patience(LIMIT_SECONDS),
    )
    assert run.returncode == 0, run.stderr.decode("utf-8", "replace")[-2000:]
    return run.stdout
