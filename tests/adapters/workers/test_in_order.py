"""Work is shared among processes: results in order, and a lost item alone is lost."""

from __future__ import annotations

import builtins
import os
import signal
import subprocess
import sys
from contextlib import closing
from typing import Any, cast

from adapters.workers.in_order import Lost, Workers, in_order
from tests.support.waiting import patience, wait_until

work = cast("Any", builtins.eval)  # noqa: S307 - our own items
"""The work of these tests: an item is what happens."""
DIES = "__import__('os')._exit(9)"
HANGS = "__import__('threading').Event().wait()"


def test_results_are_in_order_and_a_process_that_dies_loses_one_item() -> None:
    """What comes after a death goes on in another process."""
    items = [f"{number} * 2" for number in range(12)]
    items[3] = DIES
    found = list(in_order(work, items, Workers(2, patience(60))))
    assert found[:3] == [0, 2, 4]
    assert isinstance(found[3], Lost)
    assert "ended unexpectedly" in found[3].reason
    assert found[4:] == [number * 2 for number in range(4, 12)]
    without = [each for each in items if each != DIES]
    assert list(in_order(work, without, Workers(1))) == [*found[:3], *found[4:]]


def test_an_item_that_hangs_is_lost_after_its_time() -> None:
    """The others are done meanwhile."""
    lost, other = in_order(work, [HANGS, "1"], Workers(2, 0.6))
    assert lost == Lost("it took more than 0.01 minutes, and was stopped")
    assert other == 1 or isinstance(other, Lost)  # a busy machine may take that long to answer


def test_all_processes_end_when_the_iteration_does() -> None:
    """Also in the middle: as Ctrl-C, which raises there."""
    with closing(in_order(work, ["__import__('os').getpid()"] * 9 + [HANGS], Workers(2))) as found:
        pids = {cast("int", next(found)), cast("int", next(found))}
    for pid in pids:
        wait_until(lambda pid=pid: not os.path.exists(f"/proc/{pid}"))  # type: ignore[misc] # noqa: PTH110


def test_ctrl_c_ends_it_without_a_word() -> None:
    """Neither a process stays nor is anything said of threads or pipes."""
    program = (
        "import builtins, signal\nfrom adapters.workers.in_order import Workers, in_order\n"
        "signal.signal(signal.SIGINT, signal.default_int_handler)\n"  # ignored in the background
        f"items = ['__import__(\"os\").getpid()', {HANGS!r}, {HANGS!r}]\n"
        "try:\n"
        "    for each in in_order(builtins.eval, items, Workers(2)):\n"
        "        print(each, flush=True)\n"
        "except KeyboardInterrupt:\n    print('stopped')\n"
    )
    with subprocess.Popen(
        [sys.executable, "-c", program], stdout=subprocess.PIPE, stderr=subprocess.PIPE, text=True
    ) as ran:
        assert ran.stdout is not None
        pid = int(ran.stdout.readline())
        ran.send_signal(signal.SIGINT)
        out, err = ran.communicate(timeout=patience(30))
    assert (out, err) == ("stopped\n", "")
    assert not os.path.exists(f"/proc/{pid}")  # noqa: PTH110
