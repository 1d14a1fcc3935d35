"""Remember what follows from a household file, which never changes once it is loaded."""

from __future__ import annotations

from functools import lru_cache, wraps
from typing import TYPE_CHECKING, Concatenate, ParamSpec, TypeVar

if TYPE_CHECKING:
    from collections.abc import Callable

    from config.household.household_file import HouseholdFile

MOST_REMEMBERED = 64
"""Results kept of each function; an appraisal asks about thousands of files, once each."""

_Rest = ParamSpec("_Rest")
_Result = TypeVar("_Result")


class _Identity:
    """A household file, equal only to itself: comparing all of its values would take too long.

    There is one of each file, so that Python compares and hashes it without any code of ours.
    """

    __slots__ = ("file",)

    def __init__(self, file: HouseholdFile) -> None:
        self.file = file


_identities: dict[int, _Identity] = {}
"""By the address of the file, which nothing else can have while the file is kept here."""


def _identity_of(file: HouseholdFile) -> _Identity:
    identity = _identities.get(id(file))
    if identity is None:
        if len(_identities) >= MOST_REMEMBERED:
            _identities.clear()  # in one step, whatever other threads do
        identity = _identities[id(file)] = _Identity(file)
    return identity


def remembered(
    function: Callable[Concatenate[HouseholdFile, _Rest], _Result],
) -> Callable[Concatenate[HouseholdFile, _Rest], _Result]:
    """Remember the last results of a pure function of a household file and of other values.

    Parameters
    ----------
    function : callable
        Its other arguments are hashable.

    Returns
    -------
    callable
        The same function, faster where it is asked again.
    """

    @lru_cache(maxsize=MOST_REMEMBERED)
    def result(identity: _Identity, *args: _Rest.args, **kwargs: _Rest.kwargs) -> _Result:
        return function(identity.file, *args, **kwargs)

    @wraps(function)
    def asked(file: HouseholdFile, /, *args: _Rest.args, **kwargs: _Rest.kwargs) -> _Result:
        return result(_identity_of(file), *args, **kwargs)  # type: ignore[arg-type]  # they are hashable

    return asked
