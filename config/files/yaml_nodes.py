"""Parse YAML into nodes; report every anchor, alias and tag, not only the first.

Nesting is limited, so that no file can exhaust the stack.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import yaml
from typing_extensions import override
from yaml.composer import Composer
from yaml.events import AliasEvent, CollectionStartEvent, Event, ScalarEvent
from yaml.nodes import Node, ScalarNode
from yaml.parser import Parser
from yaml.reader import Reader
from yaml.resolver import BaseResolver
from yaml.scanner import Scanner

if TYPE_CHECKING:
    from yaml._yaml import Mark as CMark
    from yaml.error import Mark

_DEEPEST = 20


@dataclass(frozen=True)
class Spot:
    """A place in a text, and how messages show the value there.

    Attributes
    ----------
    line, column : int
        Counted from 1.
    shown : str
        Short form for messages: text in quotes, numbers as written, ``nothing``.
    """

    line: int
    column: int
    shown: str = ""


Flaw = tuple[Spot, str]
"""Something wrong in the document: its place, and the message."""


def _short(tag: str) -> str:
    return tag.replace("tag:yaml.org,2002:", "!!")


def spot_of(mark: Mark | CMark | None, shown: str = "") -> Spot:
    """Turn a mark of PyYAML into a spot; no mark means the start of the text."""
    return Spot(1, 1, shown) if mark is None else Spot(mark.line + 1, mark.column + 1, shown)


class NodeLoader(Reader, Scanner, Parser, Composer, BaseResolver):
    """Composes nodes without resolving their types.

    Parameters
    ----------
    text : str
        The document.

    Attributes
    ----------
    flaws : list
        What was refused so far, without stopping.
    """

    def __init__(self, text: str) -> None:
        Reader.__init__(self, text)
        Scanner.__init__(self)
        Parser.__init__(self)
        Composer.__init__(self)
        BaseResolver.__init__(self)
        self.flaws: list[Flaw] = []
        self._depth = 0

    @override
    def compose_node(self, parent: Node | None, index: int) -> Node | None:
        event: Event = self.peek_event()  # type: ignore[no-untyped-call] # stubs leave it untyped
        if isinstance(event, AliasEvent):
            self.get_event()  # type: ignore[no-untyped-call] # stubs leave it untyped
            self._refuse(event, f'expected the value itself, got the alias "*{event.anchor}"')
            return ScalarNode("", "", event.start_mark)  # type: ignore[arg-type] # as below
        if isinstance(event, ScalarEvent | CollectionStartEvent):
            self._strip(event)
        self._depth += 1
        if self._depth > _DEEPEST:
            raise yaml.MarkedYAMLError(
                problem=f"expected at most {_DEEPEST} levels of nesting, got more",
                problem_mark=event.start_mark,  # type: ignore[arg-type] # never the C parser's
            )
        node = super().compose_node(parent, index)
        self._depth -= 1
        return node

    def _strip(self, event: ScalarEvent | CollectionStartEvent) -> None:
        if event.anchor is not None:
            self._refuse(event, f'expected a value without an anchor, got "&{event.anchor}"')
            event.anchor = None
        if event.tag is not None:
            self._refuse(event, f'expected a value without a tag, got "{_short(event.tag)}"')
            event.tag = None

    def _refuse(self, event: Event, message: str) -> None:
        self.flaws.append((spot_of(event.start_mark), message))
