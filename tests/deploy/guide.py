"""Read the install guide for the tests: its blocks of commands, each with where it runs."""

from __future__ import annotations

import re
from collections.abc import Iterable
from dataclasses import dataclass
from pathlib import Path

ROOT = Path(__file__).parents[2]
PAGE_PATH = ROOT / "deploy" / "GUIDE.md"
PAGE = PAGE_PATH.read_text("utf-8")

PLACES = ("anywhere", "machine", "container")
"""On the stage and in the throw-away system; only in the throw-away system, because it installs
packages; in containers."""

_MARKED = re.compile(
    r"^<!-- step: (?P<name>[a-z ]+); where: (?P<where>\w+)(; exit: (?P<code>\d))? -->\n"
    r"```sh\n(?P<text>.*?)^```$",
    re.MULTILINE | re.DOTALL,
)
_AFTERWARDS = {
    "hear": """for _ in $(seq 200); do
    if sudo lullwatt status /etc/lullwatt/house.yaml >/dev/null; then break; fi
    sleep 0.1
done
"""
}
"""What a script waits for after a step, where a person would still be reading the page."""

_BEGINS, _ENDS = "@@ begins", "@@ ends"
_TOLD = re.compile(rf"^{_BEGINS} (.+?) (\d+)\n(.*?)^{_ENDS} (\d+)$", re.MULTILINE | re.DOTALL)


@dataclass(frozen=True)
class Step:
    """A block of commands of the guide."""

    name: str
    where: str
    text: str
    code: str | None = None

    @property
    def commands(self) -> str:
        """Its text; if it must fail, a single command with a check of its exit code."""
        if self.code is None:
            return self.text
        return f"code=0\n{self.text.strip()} || code=$?\n[ $code = {self.code} ]\n"


@dataclass(frozen=True)
class Ran:
    """The output of a step, and how long it took [s]."""

    printed: str
    seconds: float


def steps(*places: str) -> tuple[Step, ...]:
    """Return the steps that run in one of these places, in the order of the page."""
    found = [Step(**match.groupdict()) for match in _MARKED.finditer(PAGE)]
    return tuple(step for step in found if step.where in places)


def script(wanted: Iterable[Step]) -> str:
    """Return one script of all steps, which stops at the first failure and prints times."""
    parts = ["set -eu", "cd"]
    for step in wanted:
        parts += [
            f'printf "\\n{_BEGINS} {step.name} %s\\n" "$(date +%s%3N)"',
            step.commands,
            _AFTERWARDS.get(step.name, ""),
            f'printf "\\n{_ENDS} %s\\n" "$(date +%s%3N)"',
        ]
    return "\n".join(parts) + "\n"


def read_back(printed: str) -> dict[str, Ran]:
    """Split the output of such a script by step; a failed step is not included."""
    return {
        name: Ran(text, (int(end) - int(start)) / 1000)
        for name, start, text, end in _TOLD.findall(printed)
    }
