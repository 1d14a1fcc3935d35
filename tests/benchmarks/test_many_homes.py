"""The benchmark of many homes judges what it measured."""

from __future__ import annotations

from tests.benchmarks.many_homes import Weighed, _shared


def test_two_processes_are_judged_by_pace_and_by_what_they_write() -> None:
    """10 s become 6 s: 1.67 times the pace. Another output is found."""
    one = Weighed(b"rows", seconds=10, processor_seconds=9.9, largest_mb=80)
    two = Weighed(b"rows", seconds=6, processor_seconds=11, largest_mb=80)
    found = {row.what: row for row in _shared(one, two, 1)}
    assert found["1 processes: efficiency"].measured == "1.67"
    assert found["1 processes: work that one process needs, of theirs"].measured == "0.90"
    assert found["1 processes: the same to the byte"].verdict == "reached"
    other = Weighed(b"others", 6, 11, 80)
    assert _shared(one, other, 1)[-1].verdict == "missed"
