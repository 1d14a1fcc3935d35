"""A household's own topic level stands in every list of topics that a command prints."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING

import pytest

from tests.support.commands import run

if TYPE_CHECKING:
    from collections.abc import Callable

    from tests.support.commands import Ran

__all__ = ["run"]

EXAMPLES = Path(__file__).parents[3] / "config" / "examples"


@pytest.mark.parametrize(
    "command",
    [["check", "house.yaml"], ["schema", "acl", "house.yaml"], ["schema", "bus", "house.yaml"]],
)
def test_the_topic_of_the_file_is_the_one_in_use(
    run: Callable[..., Ran], tmp_path: Path, command: list[str]
) -> None:
    """The name is not in the topics any more, nor in the accounts of the broker."""
    text = (EXAMPLES / "kowhai.yaml").read_text("utf-8")
    text = text.replace("  timezone:", "  topic: haus-mueller\n  timezone:", 1)
    (tmp_path / "house.yaml").write_text(text, "utf-8")
    ran = run(*command)
    assert ran.code == 0
    assert "kowhai-cottage" not in ran.out
    assert "haus-mueller" in ran.out
