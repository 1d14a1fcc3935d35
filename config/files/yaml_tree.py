"""Read YAML as plain data, with the place of every key and value."""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import TYPE_CHECKING

import yaml
from yaml.nodes import MappingNode, Node, ScalarNode, SequenceNode
from yaml.reader import Reader

from config.fields.key_problems import labelled
from config.files.texts import position
from config.files.yaml_nodes import Flaw, NodeLoader, Spot, spot_of
from config.files.yaml_scalars import (
    NO_VALUE,
    plain_value,
    shown,
    shown_list,
    unprintable_character,
)

if TYPE_CHECKING:
    from config.fields.key_problems import KeyPath

_AT_ITS_START = (
    ("could not find expected ':'", 'expected ":" after this key'),
    ("found unexpected end of stream", "the quote that opens here is never closed"),
)
_BRACKETS = {
    "while parsing a flow sequence": "the list in square brackets",
    "while parsing a flow mapping": "the keys in curly brackets",
}
_PLAIN_WORDS = (
    ("found character '\\t'", "a tab can't stand here; indent with spaces"),
    (
        "mapping values are not allowed",
        'a ":" can\'t stand here; check the indentation, or put the text in quotes',
    ),
    (
        "expected <block end>",
        "the indentation does not fit the lines above, or a quote above is left open",
    ),
    ("but found another document", 'expected one document, got another after "---"'),
)


@dataclass(frozen=True)
class Tree:
    """A YAML document.

    Attributes
    ----------
    data : object
        Dicts, lists, texts, numbers, booleans, and `NO_VALUE`.
    values, keys : dict
        Spots of the values and keys, by the path to each.
    flaws : list
        What is wrong with the document itself, whatever it should hold.
    """

    data: object
    values: dict[KeyPath, Spot]
    keys: dict[KeyPath, Spot]
    flaws: list[Flaw]


def read_yaml(text: str) -> Tree:
    """Read a YAML document.

    Parameters
    ----------
    text : str
        The whole file.

    Returns
    -------
    Tree
        Its data is `NO_VALUE` if the text is empty or not YAML at all. A flaw then says what is
        wrong, except in an empty text.
    """
    odd = Reader.NON_PRINTABLE.search(text)
    if odd is not None:
        message = f"expected a text file, got the character {unprintable_character(odd[0])}"
        return _unreadable(Spot(*position(text, odd.start())), message)
    loader = NodeLoader(text)
    try:
        root = loader.get_single_node()
    except yaml.MarkedYAMLError as error:
        spot, message = _flaw_of(error)
        return _unreadable(spot, message, loader.flaws)
    except (ValueError, OverflowError):
        # PyYAML fails on escapes and directives with numbers that are too large.
        message = "not valid YAML: expected a character or number that exists"
        return _unreadable(Spot(loader.line + 1, loader.column + 1), message, loader.flaws)
    if root is None:
        return Tree(NO_VALUE, {(): Spot(1, 1, "an empty file")}, {}, [])
    builder = _Builder(loader.flaws)
    return Tree(builder.build(root, ()), builder.values, builder.keys, builder.flaws)


@dataclass
class _Builder:
    """Turns nodes into data, and collects their spots."""

    flaws: list[Flaw]
    values: dict[KeyPath, Spot] = field(default_factory=dict)
    keys: dict[KeyPath, Spot] = field(default_factory=dict)

    def build(self, node: Node, path: KeyPath) -> object:
        if isinstance(node, MappingNode):
            self.values[path] = spot_of(node.start_mark, "keys with values" if node.value else "{}")
            return self._mapping(node, path)
        if isinstance(node, SequenceNode):
            value = [self.build(item, (*path, i)) for i, item in enumerate(node.value)]
            items = [self.values[(*path, i)].shown for i in range(len(value))]
            self.values[path] = spot_of(node.start_mark, shown_list(items))
            return value
        scalar = self._scalar(node, path)
        self.values[path] = spot_of(node.start_mark, shown(scalar, node.value))
        return scalar

    def _mapping(self, node: MappingNode, path: KeyPath) -> dict[str, object]:
        data: dict[str, object] = {}
        for key_node, value_node in node.value:
            key = self._key(key_node, value_node)
            here = (*path, key)
            spot = spot_of(key_node.start_mark, shown(key, key))
            if key in data:
                first = self.keys[here].line
                message = f"expected each key once, got {spot.shown} again after line {first}"
                self.flaws.append((spot, message))
            else:
                self.keys[here] = spot
                data[key] = self.build(value_node, here)
        return data

    def _key(self, node: Node, value: Node) -> str:
        """Read a key; report one that is not a text, and go on with a text in its place."""
        spot = spot_of(node.start_mark)
        if not isinstance(node, ScalarNode):
            self.flaws.append((spot, "expected a text as a key, got a list or keys"))
            return f"line {spot.line}, column {spot.column}"
        key = self._scalar(node, ())
        if not isinstance(key, str):
            got = shown(key, node.value)
            # {rate: 0,168} reads as two keys, the second without a value.
            hint = "write decimals with a point" if value.value == "" else "put it in quotes"
            self.flaws.append((spot, f"expected a text as a key, got {got}; {hint}"))
        return str(node.value)

    def _scalar(self, node: Node, path: KeyPath) -> object:
        odd = unprintable_character(node.value)
        if odd is not None:
            message = f"expected a text of printable characters in one line, got {odd} in it"
            self.flaws.append((spot_of(node.start_mark), labelled(path, message)))
            return NO_VALUE
        plain = isinstance(node, ScalarNode) and node.style is None
        return plain_value(node.value) if plain else node.value


def _unreadable(spot: Spot, message: str, before: list[Flaw] | None = None) -> Tree:
    return Tree(NO_VALUE, {(): spot}, {}, [*(before or ()), (spot, message)])


def _flaw_of(error: yaml.MarkedYAMLError) -> Flaw:
    """Explain a PyYAML error, in plain words if we have any for it."""
    problem, context = error.problem or "something that can't be read", error.context or ""
    words = _in_plain_words(problem, _AT_ITS_START)
    if words is not None:
        return spot_of(error.context_mark or error.problem_mark), f"not valid YAML: {words}"
    words = _in_plain_words(problem, _PLAIN_WORDS)
    if words is None:
        place = "" if error.context_mark is None else f" of line {error.context_mark.line + 1}"
        words = problem + (f" ({_BRACKETS.get(context, context)}{place})" if context else "")
    return spot_of(error.problem_mark or error.context_mark), f"not valid YAML: {words}"


def _in_plain_words(problem: str, table: tuple[tuple[str, str], ...]) -> str | None:
    return next((plain for start, plain in table if problem.startswith(start)), None)
