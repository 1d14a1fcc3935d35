"""Every error that Lullwatt raises on purpose, with its exit code.

::

    LullwattError           exit 2
    +-- UsageError          the command line asks for something that makes no sense
    +-- FileError           a file has faults; lists all of them, each with its place
    +-- TariffError         no rate is known at an instant
    +-- BusError            the broker can't be used
    +-- MetricsError        the figures for graphs can't be published
    +-- FetchError          prices could not be fetched, or were refused (exit 5)
    +-- UnwellError         the daemon does not answer, or is not well (exit 4)
    +-- SealError           an extract, or a key for extracts, can't be used
    +-- LedgerError         the ledger can't be used
        +-- LedgerDamaged   the ledger broke while it was in use (exit 1)

This module knows nothing about files, buses or ledgers: it only names what went wrong.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, ClassVar

from typing_extensions import override

if TYPE_CHECKING:
    from collections.abc import Iterable


@dataclass(frozen=True, order=True)
class Fault:
    """Something wrong in a file, and where.

    Attributes
    ----------
    file : str
        The file's path as the user gave it.
    line, column : int
        Place of the fault, counted from 1.
    message : str
        What is wrong and what was expected, without a full stop.
    """

    file: str
    line: int
    column: int
    message: str

    @override
    def __str__(self) -> str:
        return f"{self.file}:{self.line}:{self.column}: {self.message}"


class LullwattError(Exception):
    """Base of all errors whose text is meant for the user."""

    exit_code: ClassVar[int] = 2


class UsageError(LullwattError):
    """The command line asks for something that makes no sense."""


class FileError(LullwattError):
    """A file has faults.

    Parameters
    ----------
    faults : iterable of Fault
        All faults that were found, in any order.

    Attributes
    ----------
    faults : tuple of Fault
        The same, each once, in the order of their places.
    """

    def __init__(self, faults: Iterable[Fault]) -> None:
        self.faults: tuple[Fault, ...] = tuple(sorted(set(faults)))
        super().__init__("\n".join(map(str, self.faults)))


class TariffError(LullwattError):
    """No rate is known at an instant."""


class BusError(LullwattError):
    """The broker can't be used."""


class MetricsError(LullwattError):
    """The figures for graphs can't be published."""


class FetchError(LullwattError):
    """Prices could not be fetched, or what came was refused."""

    exit_code: ClassVar[int] = 5


class UnwellError(LullwattError):
    """The daemon does not answer, or is not well."""

    exit_code: ClassVar[int] = 4


class SealError(LullwattError):
    """An extract, or a key for extracts, can't be used."""


class LedgerError(LullwattError):
    """The ledger can't be used."""


class LedgerDamaged(LedgerError):  # noqa: N818 - the name says what it is
    """The ledger broke while it was in use: its content makes no sense any more."""

    exit_code: ClassVar[int] = 1
