"""List what a process does to some files, as strace sees it."""

from __future__ import annotations

import re
import subprocess
import sys
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING, Final

if TYPE_CHECKING:
    from collections.abc import Iterator, Sequence

ROOT: Final = Path(__file__).parents[2]
_CALLS: Final = "openat,pwrite64,write,fsync,fdatasync,ftruncate,unlink,rename,creat,pwritev"
_MOST_BYTES: Final = 1_000_000
_LINE: Final = re.compile(r"(?:\d+ +)?(?P<call>\w+)\((?P<arguments>.*)\) += (?P<result>-?\d+)")
_FILE: Final = re.compile(r"(?P<number>\d+)<(?P<path>[^>]*)>")
_TEXT: Final = re.compile(r'"((?:\\x[0-9a-f]{2})*)"')
_SAID: Final = re.compile(rb"@done (\d+)\n")


@dataclass(frozen=True, slots=True)
class Made:
    """A file was made, or opened empty."""

    name: str


@dataclass(frozen=True, slots=True)
class Wrote:
    """Bytes were written at a place in a file."""

    name: str
    offset: int
    content: bytes


@dataclass(frozen=True, slots=True)
class Cut:
    """A file got a new length."""

    name: str
    length: int


@dataclass(frozen=True, slots=True)
class Removed:
    """A file's name was removed."""

    name: str


@dataclass(frozen=True, slots=True)
class Synced:
    """A file's content is on the disk; an empty name stands for the folder, and so for names."""

    name: str


@dataclass(frozen=True, slots=True)
class Said:
    """The process said that it has done so many steps."""

    steps: int


Deed = Made | Wrote | Cut | Removed | Synced | Said


def run_recorded(module: str, arguments: Sequence[str], folder: Path, trace: Path) -> list[Deed]:
    """Run a module, and list what it does to the files of a folder.

    Parameters
    ----------
    module : str
        Prints ``@done N`` after each step, in one write.
    arguments : sequence of str
        Its arguments.
    folder : Path
        Whose files count; none of them may be in a folder below it.
    trace : Path
        Where strace writes.

    Returns
    -------
    list
        In the order of time.
    """
    existing = {path.name for path in folder.iterdir()}
    subprocess.run(
        ["strace", "-f", "-y", "-xx", "-s", str(_MOST_BYTES), "-e", f"trace={_CALLS}", "-o", trace,
         sys.executable, "-m", module, *arguments],
        check=True, stdout=subprocess.DEVNULL, cwd=ROOT,
    )  # fmt: skip
    return list(_deeds(trace.read_text("ascii").splitlines(), str(folder), existing))


def _deeds(lines: Sequence[str], folder: str, existing: set[str]) -> Iterator[Deed]:
    for line in lines:
        found = _LINE.match(line)
        if found is None or int(found["result"]) < 0:
            assert "unfinished" not in line, line
            continue
        call, arguments = found["call"], found["arguments"]
        file = _FILE.search(arguments)
        path = _unescaped(file["path"]).decode() if file is not None else ""
        texts = [_unescaped(text) for text in _TEXT.findall(arguments)]
        if call in {"openat", "unlink"}:
            path = texts[0].decode()
        elif call == "write" and not path.startswith(folder):
            yield from (Said(int(steps)) for steps in _SAID.findall(texts[0] if texts else b""))
            continue
        if path == folder and call in {"fsync", "fdatasync"}:
            yield Synced("")
        elif path.startswith(f"{folder}/"):
            yield from _to_file(call, arguments, path.removeprefix(f"{folder}/"), texts, existing)


def _to_file(
    call: str, arguments: str, name: str, texts: list[bytes], existing: set[str]
) -> Iterator[Deed]:
    if name.endswith("-shm"):
        return
    match call:
        case "openat":
            if "O_CREAT" in arguments and name not in existing:
                existing.add(name)
                yield Made(name)
            assert "O_TRUNC" not in arguments, arguments
        case "pwrite64":
            *_, length, offset = arguments.rsplit(", ", 2)
            assert len(texts[-1]) == int(length), "strace cut a write short"
            yield Wrote(name, int(offset), texts[-1])
        case "ftruncate":
            yield Cut(name, int(arguments.rsplit(", ", 1)[1]))
        case "fsync" | "fdatasync":
            yield Synced(name)
        case "unlink":
            existing.discard(name)
            yield Removed(name)
        case _:
            raise AssertionError(f"unknown to the model of the disk: {call}({arguments[:200]}")


def _unescaped(text: str) -> bytes:
    return bytes.fromhex(text.replace("\\x", "")) if "\\x" in text else text.encode()
