"""Write reports as JSON or text, and print them or put them into a file."""

from __future__ import annotations

import json
from contextlib import contextmanager
from typing import TYPE_CHECKING

import click

from config.files.errors import UsageError

if TYPE_CHECKING:
    from collections.abc import Iterator, Mapping
    from pathlib import Path

FILE_COLUMNS = 100
"""Width of a text in a file [characters]."""


def text_width(*, to_file: bool) -> int | None:
    """Give the width of a text [characters]; None for the width of the terminal."""
    return FILE_COLUMNS if to_file else None


def json_text(document: Mapping[str, object]) -> str:
    """Write a document as indented JSON, with every decimal of its amounts."""
    from adapters.ledger.exact_json import dump_exact  # noqa: PLC0415 - `--help` needs none of it

    return json.dumps(json.loads(dump_exact(document)), indent=2, ensure_ascii=False) + "\n"


def rich_text(content: object, width: int | None = None) -> str:
    """Lay content out with rich, at a given width or as wide as the terminal."""
    from rich.console import Console  # noqa: PLC0415

    console = Console(highlight=False, soft_wrap=False, width=width)
    with console.capture() as captured:
        console.print(content)
    return captured.get()


@contextmanager
def needs_pictures(option: str) -> Iterator[None]:
    """Refuse an option if the extra that draws pictures is not installed.

    Parameters
    ----------
    option : str
        The option that needs it, such as ``"--format html"``.

    Yields
    ------
    None
        Import the modules that draw inside.

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
            " install Lullwatt with its extra pictures: pip install '.[pictures]'"
        ) from error


def write_output(text: str, output: Path | None) -> None:
    """Print a text as it is, or write it into a file.

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
