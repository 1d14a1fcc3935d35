"""Keep the household file and ledger that a version writes, for later versions to open.

At a release: ``python -m tests.upgrade.keep`` (or ``make keep-for-upgrade``), then commit the new
folder under ``tests/data/previous``. ``--tree`` keeps the files of another checkout.
"""

from __future__ import annotations

import argparse
import gzip
import json
import os
import shutil
import sqlite3
import subprocess
import sys
import tempfile
import tomllib
from contextlib import closing
from pathlib import Path

ROOT = Path(__file__).parents[2]
PREVIOUS = ROOT / "tests" / "data" / "previous"
MOST_BYTES = 200_000


def keep(tree: Path, target: Path, commit: str) -> None:
    """Play nights with the code of a tree, and keep the resulting files.

    Parameters
    ----------
    tree : Path
        A checkout of the version; it is not changed.
    target : Path
        The folder to make; an existing one is replaced.
    commit : str
        Its commit, for the record.
    """
    with tempfile.TemporaryDirectory(prefix="lullwatt-keep-") as scratch:
        folder = Path(scratch)
        household = folder / "house.yaml"
        shutil.copy(tree / "config" / "examples" / "kowhai.yaml", household)
        _play(tree, household, folder)
        shutil.rmtree(target, ignore_errors=True)
        target.mkdir(parents=True)
        shutil.copy(household, target)
        shutil.copy(folder / "nights.json", target)
        schema = _pack(folder / "ledger.sqlite3", target / "ledger.sqlite3.gz")
    about = {"version": _version(tree), "commit": commit, "schema": schema}
    (target / "about.json").write_text(json.dumps(about, indent=1) + "\n", "utf-8")


def _play(tree: Path, household: Path, folder: Path) -> None:
    script = Path(__file__).with_name("play.py")
    paths = (household, folder / "ledger.sqlite3", folder / "nights.json")
    played = subprocess.run(
        [sys.executable, "-P", script, *paths],
        cwd=folder, env=os.environ | {"PYTHONPATH": str(tree)}, check=False,
        capture_output=True, text=True, timeout=300,
    )  # fmt: skip
    if played.returncode:
        raise RuntimeError(f"{tree}: the nights can't be played:\n{played.stderr}")


def _pack(ledger: Path, target: Path) -> int:
    """Merge the ledger with its log, compress it, and return its schema version."""
    whole = ledger.with_name("whole.sqlite3")
    with closing(sqlite3.connect(ledger)) as source, closing(sqlite3.connect(whole)) as copy:
        source.backup(copy)
        (schema,) = copy.execute("PRAGMA user_version").fetchone()
    packed = gzip.compress(whole.read_bytes(), mtime=0)
    if len(packed) > MOST_BYTES:
        raise RuntimeError(f"{ledger}: {len(packed)} bytes, packed, are too many to keep")
    target.write_bytes(packed)
    return int(schema)


def _version(tree: Path) -> str:
    with (tree / "pyproject.toml").open("rb") as file:
        return str(tomllib.load(file)["project"]["version"])


def main() -> None:
    """Read the command line, and keep the files."""
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--tree", type=Path, default=ROOT, help="the checkout (this one)")
    parser.add_argument("--as", dest="name", help="the folder's name (the version)")
    parser.add_argument("--commit", default="", help="its commit, for the record")
    given = parser.parse_args()
    target = PREVIOUS / (given.name or _version(given.tree))
    keep(given.tree.resolve(), target, given.commit)
    sys.stdout.write(f"{target.relative_to(ROOT)}: kept\n")


if __name__ == "__main__":
    main()
