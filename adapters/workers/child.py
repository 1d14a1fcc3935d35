"""The process that does the work of `in_order`: it gets a function, then items."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

from adapters.host.worker_process import serve

if TYPE_CHECKING:
    from collections.abc import Callable


class _Doer:
    """Remembers the function, and calls it with each item."""

    def __init__(self) -> None:
        self._work: Callable[[Any], Any] | None = None

    def answer(
        self,
        question: Any,  # noqa: ANN401 - whatever the work is
        send: Callable[[object], None],
        _is_hurried: Callable[[], bool],
    ) -> None:
        """Take the function, which comes first; then answer each item with its result."""
        if self._work is None:
            self._work = question
        else:
            send(self._work(question))


if __name__ == "__main__":
    serve(_Doer().answer, niceness=0)
