"""Read XML from strangers into a small tree: no document types, no entities, nothing fetched."""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import TYPE_CHECKING, NoReturn
from xml.parsers import expat

from adapters.feeds.answers import AnswerError

if TYPE_CHECKING:
    from collections.abc import Iterator

_MOST_ELEMENTS = 200_000
_DEEPEST = 20
_BETWEEN = "|"
"""Between a namespace and a name; it is allowed in neither."""


@dataclass(slots=True)
class Element:
    """An element; names are without their namespaces.

    Attributes
    ----------
    name, namespace : str
        Its name.
    text : str
        All text directly inside, without the blanks around it.
    children : list of Element
        In order.
    attributes : dict of str to str
        Names with their namespaces, if they have any.
    """

    name: str
    namespace: str
    text: str = ""
    children: list[Element] = field(default_factory=list)
    attributes: dict[str, str] = field(default_factory=dict)

    def all(self, name: str) -> Iterator[Element]:
        """Yield the children with a name."""
        return (child for child in self.children if child.name == name)

    def one(self, name: str) -> Element:
        """Return the only child with a name; `AnswerError` if there is not exactly one."""
        found = list(self.all(name))
        if len(found) != 1:
            raise AnswerError(f"{self.name} in it has {len(found)} of {name} instead of one")
        return found[0]

    def text_of(self, name: str) -> str | None:
        """Return the text of the only child with a name; None if there is none."""
        return self.one(name).text if any(self.all(name)) else None


class _Builder:
    """Builds the tree while the parser reads."""

    def __init__(self, most_elements: int) -> None:
        self._most = most_elements
        self._open = [Element("", "")]
        self._count = 0

    @property
    def root(self) -> Element:
        return self._open[0].children[0]

    def start(self, name: str, attributes: dict[str, str]) -> None:
        namespace, _, local = name.rpartition(_BETWEEN)
        self._count += 1
        if self._count > self._most or len(self._open) > _DEEPEST:
            raise AnswerError("it is XML with too many elements")
        element = Element(local, namespace, attributes=attributes)
        self._open[-1].children.append(element)
        self._open.append(element)

    def end(self, _name: str) -> None:
        element = self._open.pop()
        element.text = element.text.strip()

    def characters(self, text: str) -> None:
        self._open[-1].text += text


def _refuse(*_parts: object) -> NoReturn:
    raise AnswerError("it is XML with a document type or entities, which are not read")


def read_xml(raw: bytes | str, most_elements: int = _MOST_ELEMENTS) -> Element:
    """Read a document.

    Parameters
    ----------
    raw
        The document; bytes are in the encoding that it names.
    most_elements
        A document with more is refused.

    Returns
    -------
    Element
        Its root.

    Raises
    ------
    AnswerError
        If it is no XML, or more than the small part of it that is read.
    """
    builder = _Builder(most_elements)
    parser = expat.ParserCreate(namespace_separator=_BETWEEN)
    parser.buffer_text = True
    parser.StartElementHandler = builder.start
    parser.EndElementHandler = builder.end
    parser.CharacterDataHandler = builder.characters
    parser.StartDoctypeDeclHandler = _refuse
    parser.EntityDeclHandler = _refuse
    parser.ExternalEntityRefHandler = _refuse
    try:
        parser.Parse(raw, True)  # noqa: FBT003 - expat takes it by place only
    except (expat.ExpatError, LookupError, ValueError):
        raise AnswerError("it is not XML") from None
    return builder.root
