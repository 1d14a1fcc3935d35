"""Translate pydantic's errors into messages about keys and values of the file.

Walks through the models to explain keys that are unknown or missing.
"""

from __future__ import annotations

import re
from dataclasses import dataclass
from decimal import Decimal
from types import UnionType
from typing import TYPE_CHECKING, Annotated, Any, Union, get_args, get_origin

from config.fields.hints import corrected, nearest
from config.fields.key_problems import KeyPath, KeyProblem, labelled
from config.fields.value_types import Expected, Model
from config.files.yaml_nodes import Flaw, Spot
from config.files.yaml_scalars import NO_VALUE, plain_value
from config.files.yaml_tree import Tree

if TYPE_CHECKING:
    from collections.abc import Callable, Iterator, Mapping

    from pydantic import ValidationError
    from pydantic.fields import FieldInfo
    from pydantic_core import ErrorDetails

_KEY_MARK = "[key]"
_DECIMAL_COMMA = re.compile(r"[-+]?[0-9]+,[0-9]+", re.ASCII)
_WITH_CURRENCY_SIGN = re.compile(r"[$£€¥₹]? *([-+]?[0-9]+(?:\.[0-9]+)?) *[$£€¥₹%]?", re.ASCII)
_IN_HUNDREDTHS = re.compile(
    r"([-+]?[0-9]+(?:[.,][0-9]+)?) *(?:p|c|ct|cts|¢|cents?|pence|rappen|rp|grosze|gr|øre|öre|paise)"
    r"(?: *(?:/|per|a) *kwh)?",
    re.ASCII | re.IGNORECASE,
)
"""An amount in a currency's smaller unit, as bills write it."""
_KINDS = {"tuple_type": "a list", "model_type": "keys with values", "dict_type": "keys with values"}


@dataclass(frozen=True)
class Translator:
    """Translates the errors of one document.

    Attributes
    ----------
    tree : Tree
        The document.
    words : mapping of str to str
        Replacements for the names in braces in messages, such as ``{currency}``.
    root : type of Model
        The model of the whole document.
    document_path : callable
        Turns a path in the model into the path in the document, if the two differ.
    """

    tree: Tree
    words: Mapping[str, str]
    root: type[Model]
    document_path: Callable[[KeyPath], KeyPath] = lambda path: path

    def errors(self, error: ValidationError) -> Iterator[Flaw]:
        """Translate all errors of one validation.

        Parameters
        ----------
        error : ValidationError
            From validating the document as `root`.

        Yields
        ------
        tuple of Spot and str
            Place and message.
        """
        details = error.errors(include_url=False)
        meant = {path for detail in details if (path := self._meant_key(detail)) is not None}
        for detail in details:
            if not (detail["type"] == "missing" and detail["loc"] in meant):
                yield from self._translate(detail)

    def problem(self, problem: KeyProblem) -> Flaw:
        """Translate a broken rule.

        Parameters
        ----------
        problem : KeyProblem
            With its path from the top of the file.

        Returns
        -------
        tuple of Spot and str
            Place and message.
        """
        path = self.document_path(problem.path)
        return self._value_spot(path), labelled(path, problem.message)

    def _translate(self, detail: ErrorDetails) -> Iterator[Flaw]:
        kind, path = detail["type"], detail["loc"]
        if kind == "rules":
            for problem in detail["ctx"]["problems"]:
                yield self.problem(KeyProblem((*path, *problem.path), problem.message))
        elif kind == "missing":
            yield self.problem(KeyProblem(path[:-1], self._missing_key(path)))
        elif kind == "extra_forbidden":
            yield from self._at_key(path, self._unknown_key(path))
        elif path[-1:] == (_KEY_MARK,):
            got = self.tree.keys[path[:-1]].shown
            yield from self._at_key(path[:-1], f"{detail['msg']}, got {got}")
        elif not _only_seems_short(detail):
            yield from self._at_value(detail)

    def _at_key(self, path: KeyPath, message: str) -> Iterator[Flaw]:
        spot = self.tree.keys[path]
        if not self._is_flawed(spot):
            yield spot, message

    def _at_value(self, detail: ErrorDetails) -> Iterator[Flaw]:
        path = self.document_path(detail["loc"])
        spot = self._value_spot(path)
        if detail["input"] is NO_VALUE and self._is_flawed(spot):
            return
        message = f"{self._expected(detail)}, got {spot.shown}{_hint(detail, path, spot.shown)}"
        yield spot, labelled(path, message)

    def _is_flawed(self, spot: Spot) -> bool:
        """Tell whether the document has a flaw here, so that other errors are needless."""
        return any((at.line, at.column) == (spot.line, spot.column) for at, _ in self.tree.flaws)

    def _expected(self, detail: ErrorDetails) -> str:
        kind = detail["type"]
        if kind == "expected":
            return self._filled(detail["msg"])
        if kind in _KINDS:
            return f"expected {_KINDS[kind]}"
        if kind == "too_short":
            return f"expected at least {_entries(detail['ctx']['min_length'])}"
        if kind == "too_long":
            return f"expected at most {_entries(detail['ctx']['max_length'])}"
        return detail["msg"]

    def _meant_key(self, detail: ErrorDetails) -> KeyPath | None:
        """Guess which key was meant by an unknown one."""
        path = detail["loc"]
        if detail["type"] != "extra_forbidden":
            return None
        model = self._model_at(path[:-1])
        if path[-1] in model.misplaced_keys:
            return None
        near = nearest(str(path[-1]), model.model_fields)
        return None if near is None else (*path[:-1], near)

    def _unknown_key(self, path: KeyPath) -> str:
        model = self._model_at(path[:-1])
        fields = model.model_fields
        if (hint := model.misplaced_keys.get(str(path[-1]))) is None:
            near = nearest(str(path[-1]), fields)
            hint = f'did you mean "{near}"?' if near else f"expected one of {', '.join(fields)}"
        return f"unknown key {self.tree.keys[path].shown}; {hint}"

    def _missing_key(self, path: KeyPath) -> str:
        phrase = _phrase(self._model_at(path[:-1]).model_fields[str(path[-1])])
        return self._filled(f'missing key "{path[-1]}"; expected {phrase}')

    def _filled(self, message: str) -> str:
        for name, word in self.words.items():
            message = message.replace(f"{{{name}}}", word)
        return message

    def _model_at(self, path: KeyPath) -> type[Model]:
        annotation: Any = self.root
        for step in path:
            annotation = _below(_bare(annotation), step)
        model = _bare(annotation)
        if not (isinstance(model, type) and issubclass(model, Model)):
            raise TypeError(path)
        return model

    def _value_spot(self, path: KeyPath) -> Spot:
        while path not in self.tree.values:
            path = path[:-1]
        return self.tree.values[path]


def _entries(count: int) -> str:
    return "1 entry" if count == 1 else f"{count} entries"


def _only_seems_short(detail: ErrorDetails) -> bool:
    """Tell whether pydantic finds a list too short only because some entries are bad."""
    return detail["type"] == "too_short" and len(detail["input"]) >= detail["ctx"]["min_length"]


def _hint(detail: ErrorDetails, path: KeyPath, shown: str) -> str:
    """Suggest what was probably meant."""
    value, context = detail["input"], detail.get("ctx", {})
    if isinstance(value, str):
        if (meant := _meant_text(detail, path, value)) is not None:
            return f"; write {meant}"
        if "{currency}" in detail["msg"] and (hundredths := _IN_HUNDREDTHS.fullmatch(value)):
            amount = Decimal(hundredths[1].replace(",", ".")) / 100
            return f"; write {amount.normalize():f}"
        return _text_hint(value, shown, context, detail["type"])
    if isinstance(value, int | float) and not isinstance(value, bool):
        return _number_hint(shown, context, detail["type"])
    return ""


def _number_hint(shown: str, context: dict[str, Any], kind: str) -> str:
    if kind == "tuple_type":
        return f"; write [{shown}]"
    if context.get("kind") == "text":
        # If only certain texts are allowed, a number in quotes is none of them.
        return "" if context.get("choices") else "; put it in quotes"
    return f"; it goes {context['limits']}" if context.get("limits") else ""


def _meant_text(detail: ErrorDetails, path: KeyPath, value: str) -> str | None:
    """Write a text the way the file wants it, in brackets if it wants a list."""
    key = next((str(step) for step in reversed(path) if isinstance(step, str)), "")
    meant = corrected(key, value)
    return f"[{meant}]" if meant and detail["type"] == "tuple_type" else meant


def _text_hint(value: str, shown: str, context: dict[str, Any], kind: str) -> str:
    choices = context.get("choices", ())
    near = nearest(value, choices() if callable(choices) else choices)
    if near is not None:
        return f'; did you mean "{near}"?'
    if kind == "tuple_type":
        return f"; write [{shown}]"
    if context.get("kind") == "number":
        if _DECIMAL_COMMA.fullmatch(value):
            return f"; write {value.replace(',', '.')}"
        if isinstance(plain_value(value), int | float):
            return "; leave out the quotes"
        if (alone := _WITH_CURRENCY_SIGN.fullmatch(value)) and alone[1] != value:
            return f"; write {alone[1]}"
    return ""


def _phrase(field: FieldInfo) -> str:
    for item in field.metadata:
        if isinstance(item, Expected):
            return item.phrase
    inner = _bare(field.annotation)
    if isinstance(inner, type) and issubclass(inner, Model):
        required = [key for key, sub in inner.model_fields.items() if sub.is_required()]
        some = (
            f"at least {', '.join(required)}"
            if required
            else f"such as {next(iter(inner.model_fields))}"
        )
        return f"keys with values, {some}"
    return "a list" if get_origin(inner) is tuple else "names with keys below them"


def _below(annotation: Any, step: str | int) -> Any:  # noqa: ANN401 - annotations have no type
    if isinstance(annotation, type) and issubclass(annotation, Model):
        return annotation.model_fields[str(step)].annotation
    arguments = get_args(annotation)
    return arguments[1] if get_origin(annotation) is dict else arguments[0]


def _bare(annotation: Any) -> Any:  # noqa: ANN401 - annotations have no type
    """Strip metadata and "or None" from an annotation."""
    while get_origin(annotation) in {Annotated, Union, UnionType}:
        annotation = get_args(annotation)[0]
    return annotation
