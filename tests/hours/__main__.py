"""Run the tests that read the machine's clock at other hours: ``python -m tests.hours``.

A test must pass at any hour, and on the days on which clocks are put forward or back. All programs
that the tests start see the shifted clock too. Takes arguments for pytest, and instants at which to
run instead of the usual ones. Needs a C compiler.
"""

from __future__ import annotations

import os
import re
import subprocess
import sys
from datetime import datetime
from pathlib import Path
from tempfile import TemporaryDirectory
from typing import Final

from adapters.clocks.clock import SystemClock

ROOT: Final = Path(__file__).parents[2]
INSTANTS: Final = (
    # A Tuesday of the demo household: every kind of hour in its tariff and its nights.
    "2026-12-01T00:30:00+13:00", "2026-12-01T04:00:00+13:00", "2026-12-01T06:55:00+13:00",
    "2026-12-01T09:30:00+13:00", "2026-12-01T11:55:00+13:00", "2026-12-01T14:30:00+13:00",
    "2026-12-01T18:00:00+13:00", "2026-12-01T20:55:00+13:00", "2026-12-01T22:30:00+13:00",
    # A Saturday night, before a single trip, the end of a year, and a leap day.
    "2026-12-05T23:30:00+13:00", "2026-12-24T05:00:00+13:00", "2026-12-31T23:55:00+13:00",
    "2028-02-29T12:00:00+13:00",
    # Five minutes before clocks change in its zone, and in London; and the evenings before.
    "2026-09-26T18:00:00+12:00", "2026-09-27T01:55:00+12:00",
    "2027-04-03T18:00:00+13:00", "2027-04-04T02:55:00+13:00",
    "2026-10-24T18:00:00+01:00", "2026-10-25T01:55:00+01:00",
    "2027-03-27T18:00:00+00:00", "2027-03-28T00:55:00+00:00",
)  # fmt: skip

_READS_THE_CLOCK: Final = re.compile(r"SystemClock|subprocess|multiprocessing|cli\.main")
_USES: Final = re.compile(r"^from (tests[.\w]*) import", re.MULTILINE)
_IS_INSTANT: Final = re.compile(r"\d{4}-\d\d-\d\dT")
LEFT_OUT: Final = (
    # They measure speed, build wheels, or hold the installer: no hour matters to them.
    "tests/benchmarks", "tests/release", "tests/deploy/test_containers.py",
    "tests/deploy/test_install.py", "tests/deploy/test_install_guarded.py",
    # They give their daemons and reports a time of their own.
    "tests/daemon/appraise", "tests/daemon/appraisal_page",
    "tests/daemon/messaging/test_ocpp_nights.py", "tests/daemon/month",
    "tests/daemon/night_log/test_month.py", "tests/daemon/tariff/test_picture.py",
    "tests/faults/test_faults.py", "tests/faults/test_secrets.py",
)  # fmt: skip


def modules() -> list[Path]:
    """List the test modules that read the clock or start a program, or use one that does."""
    left_out = [ROOT / name for name in LEFT_OUT]
    return sorted(
        path
        for path in (ROOT / "tests").rglob("test_*.py")
        if not {path, *path.parents} & set(left_out) and _reads_the_clock(path, set())
    )


def _reads_the_clock(path: Path, seen: set[Path]) -> bool:
    if path in seen or not path.is_file():
        return False
    seen.add(path)
    text = path.read_text("utf-8")
    uses = (ROOT.joinpath(*name.split(".")).with_suffix(".py") for name in _USES.findall(text))
    return bool(_READS_THE_CLOCK.search(text)) or any(_reads_the_clock(use, seen) for use in uses)


def run_at(instant: datetime, arguments: list[str], directory: Path) -> bool:
    """Run the tests with a clock that begins at an instant; return whether they passed."""
    shift = int((instant - SystemClock().now()).total_seconds())
    shim = directory / f"clock{shift:+d}.so"
    source = Path(__file__).with_name("shifted_clock.c")
    subprocess.run(
        ["cc", "-shared", "-fPIC", "-O2", f"-DSHIFT={shift}", "-o", shim, source], check=True
    )
    sys.stdout.write(f"=== as if it were {instant:%A %Y-%m-%d %H:%M %Z}\n")
    sys.stdout.flush()
    command = [sys.executable, "-m", "pytest", "-q", *arguments, *map(str, modules())]
    ran = subprocess.run(command, check=False, cwd=ROOT, env=os.environ | {"LD_PRELOAD": str(shim)})
    return ran.returncode == 0


def main() -> None:
    """Run the tests at each instant; exit with 1 if any failed."""
    chosen = [each for each in sys.argv[1:] if _IS_INSTANT.match(each)]
    arguments = [each for each in sys.argv[1:] if each not in chosen]
    with TemporaryDirectory() as folder:
        Path(folder).chmod(0o755)  # the tests start programs as other users too
        passed = [
            run_at(datetime.fromisoformat(instant), arguments, Path(folder))
            for instant in chosen or INSTANTS
        ]
    sys.stdout.write(f"{sum(passed)} of {len(passed)} runs passed\n")
    sys.exit(not all(passed))


if __name__ == "__main__":
    main()
