"""The campaign at other hours runs the tests whose result the clock could change."""

from __future__ import annotations

from tests.hours.__main__ import LEFT_OUT, ROOT, modules

RUN = {str(path.relative_to(ROOT)) for path in modules()}


def test_tests_of_programs_and_of_the_real_clock_are_run() -> None:
    """A program, the machine's clock, and a helper that uses either are found."""
    assert "tests/daemon/service/test_run.py" in RUN, "starts a program"
    assert "tests/adapters/clocks/test_clock.py" in RUN, "reads the clock"
    assert "tests/deploy/test_guide.py" in RUN, "its helper starts programs"


def test_tests_with_a_time_of_their_own_are_left_out() -> None:
    """So are those to which no hour matters; each name that is left out exists."""
    assert "tests/daemon/control/test_controller.py" not in RUN
    assert not [name for name in RUN if name.startswith(LEFT_OUT)]
    assert [name for name in LEFT_OUT if not (ROOT / name).exists()] == []
