"""Go back to earlier versions with their real code: ``make upgrade``.

Today's code brings each ledger under ``tests/data/previous`` up to date. Then the code that wrote
it, taken from the repository's history, must refuse that ledger and open the copy.
"""

from __future__ import annotations

import gzip
import io
import json
import os
import subprocess
import sys
import tarfile
import tempfile
from decimal import Decimal
from pathlib import Path

from adapters.ledger.copies import backup_of_schema
from adapters.ledger.ledger import open_ledger
from adapters.ledger.schema import MIGRATIONS
from tests.upgrade.keep import PREVIOUS, ROOT

OPEN = """
import sys
from pathlib import Path
try:
    from adapters.ledger.ledger import open_ledger
    from adapters.ledger.exact_json import dump_exact
    from config.files.errors import LullwattError
except ModuleNotFoundError:  # 0.1.0 had no rooms
    from adapters.ledger import open_ledger
    from adapters.ledger_json import dump_exact
    from config.errors import LullwattError
try:
    with open_ledger(Path(sys.argv[1])) as ledger:
        print(dump_exact({"nights": list(ledger.nights())}))
except LullwattError as error:
    sys.exit(str(error))
"""


def go_back(kept: Path) -> str:
    """Upgrade a kept ledger and go back with the code that wrote it.

    Parameters
    ----------
    kept : Path
        A folder of ``tests/data/previous``.

    Returns
    -------
    str
        A line for people.
    """
    about = json.loads((kept / "about.json").read_text("utf-8"))
    recorded = json.loads((kept / "nights.json").read_text("utf-8"), parse_float=Decimal)
    with tempfile.TemporaryDirectory(prefix="lullwatt-back-") as scratch:
        tree, ledger = Path(scratch, "tree"), Path(scratch, "ledger.sqlite3")
        _take_out(about["commit"], tree)
        ledger.write_bytes(gzip.decompress((kept / "ledger.sqlite3.gz").read_bytes()))
        open_ledger(ledger).close()
        if about["schema"] < len(MIGRATIONS):
            _must(_opened(tree, ledger).returncode == 1, f"{kept.name}: a newer ledger was opened")
            backup_of_schema(ledger, about["schema"]).replace(ledger)
        opened = _opened(tree, ledger)
        _must(opened.returncode == 0, f"{kept.name}: {opened.stderr}")
        nights = json.loads(opened.stdout, parse_float=Decimal)["nights"]
        _must(nights == recorded["nights"], f"{kept.name}: its nights are not what they were")
    return f"{kept.name}: up to schema {len(MIGRATIONS)} and back, {len(nights)} nights the same"


def _take_out(commit: str, tree: Path) -> None:
    packed = subprocess.run(
        ["git", "-C", ROOT, "archive", commit], check=True, capture_output=True, timeout=60
    ).stdout
    with tarfile.open(fileobj=io.BytesIO(packed)) as archive:
        archive.extractall(tree, filter="data")


def _opened(tree: Path, ledger: Path) -> subprocess.CompletedProcess[str]:
    return subprocess.run(
        [sys.executable, "-P", "-c", OPEN, ledger],
        cwd=tree, env=os.environ | {"PYTHONPATH": str(tree)}, check=False,
        capture_output=True, text=True, timeout=60,
    )  # fmt: skip


def _must(held: bool, otherwise: str) -> None:  # noqa: FBT001 - read as a sentence
    if not held:
        sys.exit(otherwise)


if __name__ == "__main__":
    for each in sorted(PREVIOUS.iterdir()):
        sys.stdout.write(f"{go_back(each)}\n")
