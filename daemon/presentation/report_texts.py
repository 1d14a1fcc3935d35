"""What the commands that report share: JSON, text at a width, pages, and where all of it goes."""

from __future__ import annotations

import json
from contextlib import contextmanager
from typing import TYPE_CHECKING

import click

from config.files.errors import UsageError

if TYPE_CHECKING:
    from collections.abc import Iterator, Mapping
    from pathlib import Path

OUTPUT_COLUMNS = 100
"""Width of a text that goes into a file."""


def width_of(*, to_file: bool) -> int | None:
    """Give the width of a text [characters]; None for that of the terminal."""
    return OUTPUT_COLUMNS if to_file else None


def json_text(document: Mapping[str, object]) -> str:
    """Write a document as indented JSON, with money exact."""
    from adapters.ledger.exact_json import dump_exact  # noqa: PLC0415 - `--help` needs none of it

    return json.dumps(json.loads(dump_exact(document)), indent=2, ensure_ascii=False) + "\n"


def rich_text(content: object, width: int | None = None) -> str:
    """Write what rich lays out, at a width or as wide as the terminal."""
    from rich.console import Console  # noqa: PLC0415

    console = Console(highlight=False, soft_wrap=False, width=width)
    with console.capture() as captured:
        console.print(content)
    return captured.get()


@contextmanager
def needs_pictures() -> Iterator[None]:
    """Say which extra is missing where what makes a page can't be loaded inside.

    Yields
    ------
    None
        Import inside.

    Raises
    ------
    UsageError
        If a package that comes with the extra is not installed.
    """
    try:
        yield
    except ModuleNotFoundError as error:
        raise UsageError(
            f"--format html: expected {error.name} to make the page with, which is not installed;"
            " install Lullwatt with its extra pictures: pip install '.[pictures]'"
        ) from error


def put_out(text: str, output: Path | None) -> None:
    """Print a text as it is, or write it into a file instead.

    Parameters
    ----------
    text : str
        With its line ends.
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
        output.write_bytes(text.encode())
    except OSError as error:
        raise UsageError(f"--output: {output}: can't be written: {error.strerror}") from error
