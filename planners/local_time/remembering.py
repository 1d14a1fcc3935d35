"""Remember what follows from a household file, which never changes once it is loaded."""

from __future__ import annotations

from functools import wraps
from typing import TYPE_CHECKING, Any, Concatenate, ParamSpec, TypeVar

if TYPE_CHECKING:
    from collections.abc import Callable

    from config.household.household_file import HouseholdFile

MOST_FILES = 64
"""Files whose results are kept; an appraisal asks about thousands of files, once each."""

MOST_REMEMBERED = 64
"""Results of each function that are kept for each charge point of a file."""

_Rest = ParamSpec("_Rest")
_Result = TypeVar("_Result")


class _Kept:
    """The results for one household file, by function and by the other arguments."""

    __slots__ = ("file", "most", "results")

    def __init__(self, file: HouseholdFile) -> None:
        self.file = file  # nothing else can have its address while it is kept
        self.most = MOST_REMEMBERED * max(1, len(file.charge_points))
        self.results: dict[Callable[..., Any], dict[Any, Any]] = {}


_kept: dict[int, _Kept] = {}
"""By the address of the file: comparing all of its values would take too long."""


def _results_of(file: HouseholdFile, function: Callable[..., Any]) -> tuple[dict[Any, Any], int]:
    kept = _kept.get(id(file))
    if kept is None:
        if len(_kept) >= MOST_FILES:
            _kept.clear()  # in one step, whatever other threads do
        kept = _kept[id(file)] = _Kept(file)
    results = kept.results.get(function)
    if results is None:
        results = kept.results[function] = {}
    return results, kept.most


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

    @wraps(function)
    def asked(file: HouseholdFile, /, *args: _Rest.args, **kwargs: _Rest.kwargs) -> _Result:
        results, most = _results_of(file, function)
        key: Any = (args, *kwargs.items()) if kwargs else args
        if key in results:
            return results[key]  # type: ignore[no-any-return]  # what the function returned
        result = function(file, *args, **kwargs)
        if len(results) >= most:
            results.clear()
        results[key] = result
        return result

    return asked
