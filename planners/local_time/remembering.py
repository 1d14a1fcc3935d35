"""Remember what follows from a household file, which never changes once it is loaded."""

from __future__ import annotations

from functools import lru_cache, wraps
from typing import TYPE_CHECKING, Concatenate, ParamSpec, TypeVar

from typing_extensions import override

if TYPE_CHECKING:
    from collections.abc import Callable

    from config.household.household_file import HouseholdFile

MOST_REMEMBERED = 64
"""Results kept of each function; an appraisal asks about thousands of files, once each."""

_Rest = ParamSpec("_Rest")
_Result = TypeVar("_Result")


class _Identity:
    """A household file, equal only to itself: comparing all of its values would take too long."""

    __slots__ = ("file",)

    def __init__(self, file: HouseholdFile) -> None:
        self.file = file

    @override
    def __eq__(self, other: object) -> bool:
        return isinstance(other, _Identity) and other.file is self.file

    @override
    def __hash__(self) -> int:
        return id(self.file)


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
        return result(_Identity(file), *args, **kwargs)  # type: ignore[arg-type]  # they are hashable

    return asked
