"""Write reports as JSON or text, and print them or put them into a file.

The only module that prints. What it prints may come from another home's daemon, hardware or ledger,
so control characters never reach the terminal: they are shown as escapes.
"""

from __future__ import annotations

import json
import re
import sys
from contextlib import contextmanager
from dataclasses import dataclass
from typing import TYPE_CHECKING

import click

from config.files.errors import UsageError
from config.files.texts import printable

if TYPE_CHECKING:
    from collections.abc import Callable, Iterator, Mapping, Sequence
    from pathlib import Path

    from rich.segment import Segment

    from daemon.presentation.csv_text import CsvStyle

FILE_COLUMNS = 100
"""Width of a text in a file [characters]."""

_NOT_PRINTABLE = re.compile(r"[\x7f-\x9f\u061c\u200b-\u200f\u2028-\u202e\u2060-\u206f\ufeff]")
"""Control characters beyond ASCII, and those that hide or reverse what follows them."""


def text_width(*, to_file: bool) -> int | None:
    """Give the width of a text [characters]; None for the width of the terminal."""
    return FILE_COLUMNS if to_file else None


def json_text(document: Mapping[str, object]) -> str:
    """Write a document as indented JSON, with every decimal of its amounts."""
    from adapters.ledger.exact_json import dump_exact  # noqa: PLC0415 - `--help` needs none of it

    text = json.dumps(json.loads(dump_exact(document)), indent=2, ensure_ascii=False)
    # JSON itself escapes only some control characters.
    return _NOT_PRINTABLE.sub(_json_escape, text) + "\n"


def rich_text(content: object, width: int | None = None) -> str:
    """Lay content out with rich, at a given width or as wide as the terminal."""
    from rich.console import Console  # noqa: PLC0415
    from rich.segment import Segment, Segments  # noqa: PLC0415

    console = Console(highlight=False, soft_wrap=False, width=width)
    laid_out = console.render(content)  # type: ignore[arg-type] # whatever rich can print
    safe = [Segment(lines_printable(text), style) for text, style, _control in laid_out]
    with console.capture() as captured:
        for line in Segment.split_lines(safe):
            console.print(Segments([*_without_padding(line), Segment.line()]), end="")
    return captured.get()


def _without_padding(line: Sequence[Segment]) -> list[Segment]:
    """Leave out the spaces with which rich fills a line."""
    kept = list(line)
    while kept and not kept[-1].text.strip(" "):
        kept.pop()
    if kept:
        kept[-1] = kept[-1]._replace(text=kept[-1].text.rstrip(" "))
    return kept


def lines_printable(text: str) -> str:
    """Show every control character but the ends of lines as an escape."""
    return "\n".join(map(printable, text.split("\n")))


def say(text: str, *, err: bool = False) -> None:
    """Print lines of text, on standard error if `err`; control characters as escapes."""
    click.echo(lines_printable(text), err=err)


def _json_escape(found: re.Match[str]) -> str:
    return f"\\u{ord(found[0]):04x}"


@contextmanager
def needs_extra(option: str, extra: str = "pictures") -> Iterator[None]:
    """Refuse an option if the extra that it needs is not installed.

    Parameters
    ----------
    option : str
        The option that needs it, such as ``"--format html"``.
    extra : str
        Its name in pyproject.toml.

    Yields
    ------
    None
        Import the modules that need it inside.

    Raises
    ------
    UsageError
        If a package of the extra is missing.
    """
    try:
        yield
    except ModuleNotFoundError as error:
        raise UsageError(
            f"{option}: needs the package {error.name}, which is not installed;"
            f" install Lullwatt with its extra {extra}: pip install '.[{extra}]'"
        ) from error


def write_output(text: str | bytes, output: Path | None = None) -> None:
    """Print a document, or write it into a file.

    Parameters
    ----------
    text : str or bytes
        From `json_text`, `rich_text` or a writer of CSV or HTML; with its line ends. Or a workbook.
    output : Path or None
        The file; None to print.

    Raises
    ------
    UsageError
        If the file can't be written.
    """
    if output is None:
        click.echo(text, nl=False)
        return
    try:
        output.write_bytes(text.encode() if isinstance(text, str) else text)
    except OSError as error:
        raise UsageError(f"--output: {output}: can't be written: {error.strerror}") from error


@dataclass(frozen=True, slots=True)
class ReportForm:
    """How a report is written.

    Attributes
    ----------
    name : str
        Such as ``"text"`` or ``"csv"``.
    style : CsvStyle
        How CSV is written.
    output : Path or None
        The file; None to print.
    """

    name: str
    style: CsvStyle
    output: Path | None = None

    @property
    def width(self) -> int | None:
        """Width of a text [characters]; None for that of the terminal."""
        return text_width(to_file=self.output is not None)

    def write(self, text: str | bytes) -> None:
        """Write the report, and say which of its texts got an apostrophe in front."""
        write_output(text, self.output)
        guarded = self.style.guarded
        if guarded:
            more = f" and {len(guarded) - 1} more" if len(guarded) > 1 else ""
            say(
                f"CSV: an apostrophe was put in front of {guarded[0]!r}{more}, which a spreadsheet"
                " might run as a formula; --format json and xlsx have the text as it is",
                err=True,
            )


@contextmanager
def progress_bar(what: str) -> Iterator[Callable[[int, int], None]]:
    """Show how much of something is done.

    Parameters
    ----------
    what : str
        What is counted, such as ``"homes"``.

    Yields
    ------
    callable
        To be called with how many are done, and how many there are; from then on there is a bar.
    """
    if not sys.stderr.isatty():
        yield lambda _done, _whole: None
        return
    from rich.console import Console  # noqa: PLC0415
    from rich.progress import Progress, TaskID  # noqa: PLC0415

    with Progress(console=Console(stderr=True), transient=True) as bar:
        tasks: list[TaskID] = []

        def show(done: int, whole: int) -> None:
            if not tasks:
                tasks.append(bar.add_task(what, total=None))
            bar.update(tasks[0], completed=done, total=whole)

        yield show
