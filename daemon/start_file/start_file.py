"""The command `lullwatt start-file`."""

from __future__ import annotations

import os
import shlex
import sys
from pathlib import Path
from typing import TYPE_CHECKING

import click
from typing_extensions import override

from adapters.host.whole_file import replacing
from config.files.errors import Fault, FileError, LullwattError, UsageError
from config.files.texts import decoded, printable, read_text, whole_file_fault
from config.files.yaml_tree import read_yaml
from config.household.loading import load_household
from daemon.presentation.output import say
from daemon.start_file.answers import CONFIRMED, check_answers, doubts
from daemon.start_file.asking import ask_for_household
from daemon.start_file.guess import guess_home
from daemon.start_file.questions import QUESTIONS
from daemon.start_file.text import household_text

if TYPE_CHECKING:
    from config.household.household_file import HouseholdFile
    from daemon.start_file.guess import Guess

_LOCAL_TIME = Path("/etc/localtime")
_MOST_BYTES = 64 * 1024
_STANDARD_INPUT = "standard input"


class _CommandWithKeys(click.Command):
    """A command whose help ends with the keys of a file of answers."""

    @override
    def format_epilog(self, ctx: click.Context, formatter: click.HelpFormatter) -> None:

        keys = ", ".join(question.key for question in QUESTIONS)
        self.epilog = f"Keys in a file of answers: {keys}."
        super().format_epilog(ctx, formatter)


@click.command("start-file", cls=_CommandWithKeys)
@click.option(
    "--answers",
    metavar="FILE",
    help="Read the answers from this YAML file, or from standard input (-), instead of asking.",
)
@click.option(
    "--output",
    type=click.Path(path_type=Path),
    default=Path("house.yaml"),
    show_default=True,
    help="The household file to write.",
)
@click.option("--overwrite", is_flag=True, help="Replace an existing file.")
def start_file(answers: str | None, output: Path, *, overwrite: bool) -> None:
    """Ask some questions, and write a first household file, with comments.

    Press Enter to accept the answer in square brackets. In a file of answers, a key that is left
    out has its default. Rates and their hours have none: only you know them. The time zone is that
    of this machine, and the currency that of its country, if it has them. An implausible answer is
    refused, unless the list confirmed has its key, such as confirmed: [cheap_rate].
    """
    _refuse_output(output, overwrite=overwrite)
    guess = guess_home(os.environ, _LOCAL_TIME)
    file = _asked(guess) if answers is None else _read(answers, guess)
    _write(file, output, overwrite=overwrite)
    say(f"Wrote {output}. To read what it means, and to rehearse a night with it:")
    for command in ("check", "rehearse"):
        say(f"  lullwatt {command} {shlex.quote(str(output))}")
    prices = file.tariffs[0].prices
    if prices and prices.file and not (output.parent / prices.file).exists():
        say(f"First put the prices into {prices.file}, with the columns start and rate.")
    if file.bus.password_file is not None:
        say(f"First put the broker's password into {file.bus.password_file} (chmod 600).")


def _asked(guess: Guess) -> HouseholdFile:

    if not sys.stdin.isatty():
        raise UsageError(
            "start-file asks its questions on a terminal, and there is none; use --answers FILE, or"
            " --answers - for standard input"
        )
    return ask_for_household(guess)


def _read(answers: str, guess: Guess) -> HouseholdFile:
    """Make a household from a file of answers, or raise all of its faults."""
    name = _STANDARD_INPUT if answers == "-" else answers
    tree = read_yaml(_text(answers))
    file, flaws = check_answers(tree, guess)
    if file is None:
        faults = [Fault(name, at.line, at.column, printable(text)) for at, text in flaws]
        raise FileError(faults)
    doubted = doubts(tree.data, guess) if isinstance(tree.data, dict) else {}
    if doubted:
        places = {key: tree.values[(key,)] for key in doubted}
        right = "If it is right, add {} to the list {}."
        raise FileError(
            Fault(name, at.line, at.column, f"{key}: {doubted[key]} {right.format(key, CONFIRMED)}")
            for key, at in places.items()
        )
    return file


def _text(answers: str) -> str:

    if answers != "-":
        return read_text(Path(answers), "answers", _MOST_BYTES)
    raw = sys.stdin.buffer.read(_MOST_BYTES + 1)
    if len(raw) > _MOST_BYTES:
        message = f"expected answers, got more than {_MOST_BYTES // 1024} KiB"
        raise whole_file_fault(Path(_STANDARD_INPUT), message)
    return decoded(raw, _STANDARD_INPUT)


def _refuse_output(output: Path, *, overwrite: bool) -> None:
    """Refuse a bad output before the first question instead of after the last."""
    if output.is_dir():
        raise UsageError(f"{output}: expected the name of a file, got a directory")
    if not output.parent.is_dir():
        raise UsageError(f"{output}: the directory {output.parent} does not exist")
    if output.exists() and not overwrite:
        raise UsageError(f"{output}: the file already exists (--overwrite replaces it)")


def _write(file: HouseholdFile, output: Path, *, overwrite: bool) -> None:
    """Write the file, read it back, and only then put it in its place."""
    try:
        with replacing(output) as part:
            part.file.write(household_text(file).encode())
            part.file.flush()
            load_household(part.path)
            if not overwrite:
                output.open("x").close()  # claims the name, so that no other file is replaced
    except FileExistsError:
        raise UsageError(f"{output}: the file already exists") from None
    except OSError as error:
        raise LullwattError(f"{output}: can't be written: {error.strerror}") from error
