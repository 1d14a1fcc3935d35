"""The tests of plans of a home pose the demo household's problems again and again."""

from __future__ import annotations

from tests.support.solved import each_solved_once

__all__ = ["each_solved_once"]
