"""The letter file: who writes to clients, and in which words."""

from __future__ import annotations

from typing import TYPE_CHECKING, Annotated

from pydantic import Field

from config.fields.value_types import Expected, Model
from config.household.loading import FileKind, load_file

if TYPE_CHECKING:
    from pathlib import Path

_ONLY_PLACES = r"^(?:[^{}]|\{home\}|\{month\})*$"
_PLACES = "{home} and {month} are filled in."
Paragraph = Annotated[
    str,
    Field(min_length=1, max_length=400, pattern=_ONLY_PLACES),
    Expected("a text of 1 to 400 characters, in braces only home or month"),
]
Line = Annotated[
    str,
    Field(min_length=1, max_length=80, pattern=_ONLY_PLACES),
    Expected("a line of 1 to 80 characters, in braces only home or month"),
]


class Adviser(Model):
    """Who writes the letter."""

    name: Line = Field(description="Name, as it stands below the letter.")
    business: Line | None = Field(None, description="Name of the business.")
    contact: Annotated[tuple[Line, ...], Field(strict=False, max_length=4)] = Field(
        (), description="Up to four lines: address, telephone, mail."
    )


class LetterFile(Model):
    """The words of a letter to any client of one adviser."""

    adviser: Adviser = Field(description="Who writes the letter.")
    greeting: Line = Field("Dear {home},", description=f"The first line. {_PLACES}")
    opening: Paragraph = Field(
        "here is what charging cost you in {month}.",
        description=f"Before the figures. {_PLACES}",
    )
    closing: Paragraph = Field(
        "If anything here is not as you know it, please call me.",
        description=f"After the figures. {_PLACES}",
    )
    sign_off: Line = Field("Kind regards", description="Above the name.")


def load_letter(path: Path) -> LetterFile:
    """Read and check a letter file.

    Parameters
    ----------
    path : Path
        The YAML file.

    Returns
    -------
    LetterFile
        The words.

    Raises
    ------
    FileError
        Every fault of the file, each with line and column.
    """  # noqa: DOC502 - load_file raises it
    return load_file(path, _LETTER)


_LETTER = FileKind("a letter file", LetterFile, lambda _data: {}, lambda _data, _context: ())
