"""Open an extract: decrypt it, check its signature and all that it holds. Writes nothing."""

from __future__ import annotations

import json
from collections import Counter, defaultdict
from dataclasses import dataclass
from datetime import date, datetime, timedelta
from decimal import Decimal
from itertools import pairwise
from pathlib import Path
from typing import Any, Final, NoReturn

from pydantic import ValidationError

from adapters.clocks.instants import parse_instant
from adapters.sealing.encrypting import adviser_key
from adapters.sealing.envelope import open_sealed
from config.calendar.account_days import AccountChange
from config.extract.extract_file import FORMAT, VERSION, Extract
from config.extract.household_part import as_file, strange_keys
from config.files.errors import SealError
from config.files.texts import printable, read_bytes
from config.household.household_file import HouseholdFile
from planners.local_time.settlement import HALF_HOUR

MOST_BYTES: Final = 8 * 1024 * 1024
"""The largest extract; nothing in it is compressed."""
_KIND: Final = "an extract"
_MOST_LEVELS: Final = 50
_FARTHEST: Final = timedelta(days=33)
"""So far may a half-hour be from the first of the month."""


@dataclass(frozen=True)
class OpenedExtract:
    """An extract whose signature holds, and who signed it."""

    extract: Extract
    home: HouseholdFile
    fingerprint: str
    content: bytes
    was_encrypted: bool

    @property
    def name(self) -> str:
        """The home's name."""
        return self.home.household.name


def open_extract(path: Path, key_file: Path) -> OpenedExtract:
    """Open an extract.

    Parameters
    ----------
    path : Path
        The file that came from a household.
    key_file : Path
        The adviser's key.

    Returns
    -------
    OpenedExtract
        Valid in itself. Whose key signed it, and whether its consent still holds, is for the caller
        to check.

    Raises
    ------
    SealError
        If it was changed, is not for this key, or is of another version.
    FileError
        If it can't be read.
    """  # noqa: DOC502 - raised by the parts
    raw, name, key = read_bytes(path, _KIND, MOST_BYTES), str(path), adviser_key(key_file)
    opened = open_sealed(raw, lambda sealed: key.decrypt(sealed, name), name)
    extract = read_extract(opened.content, name)
    readers = extract.consent.readers
    if key.recipient not in readers and (readers or opened.was_encrypted):
        raise SealError(
            f"{name}: the household consented to other readers, not to you: whoever passed it on to"
            " you had no right to; ask the household itself"
        )
    home = home_of(extract, name)
    return OpenedExtract(extract, home, opened.fingerprint, opened.content, opened.was_encrypted)


def read_extract(content: bytes, name: str) -> Extract:
    """Read the document of an extract, and check it.

    Parameters
    ----------
    content : bytes
        JSON.
    name : str
        The file's name, for messages.

    Returns
    -------
    Extract
        Valid in itself.

    Raises
    ------
    SealError
        In plain words, if it is not.
    """
    try:
        data = json.loads(
            content.decode("utf-8"), parse_float=Decimal, parse_constant=_refuse_constant
        )
    except (ValueError, RecursionError) as error:
        raise SealError(f"{name}: expected an extract in JSON, got something else") from error
    _refuse_other_versions(data, name)
    try:
        extract = Extract.model_validate(data)
    except ValidationError as error:
        first = error.errors(include_url=False, include_input=False)[0]
        place = printable(".".join(map(str, first["loc"])))[:200]
        raise SealError(
            f"{name}: it is no valid extract: {place}: {printable(first['msg'])}"
            " (`lullwatt schema extract` prints what is expected)"
        ) from error
    _refuse_contradictions(extract, name)
    return extract


def _refuse_constant(text: str) -> NoReturn:
    raise ValueError(text)


def _refuse_other_versions(data: Any, name: str) -> None:  # noqa: ANN401 - any JSON
    if not isinstance(data, dict) or data.get("format") != FORMAT:
        raise SealError(f"{name}: expected an extract that `lullwatt share` wrote")
    version = data.get("version")
    if version != VERSION:
        raise SealError(
            f"{name}: its document is of version {printable(str(version))[:20]}, and this Lullwatt"
            f" reads version {VERSION}; a newer Lullwatt can read it"
        )


def _refuse_strange_texts(part: Any, name: str) -> None:  # noqa: ANN401 - any JSON
    """Refuse texts that no household file may hold, and depths that would end what reads them."""
    level = [part]
    for _ in range(_MOST_LEVELS):
        inside: list[Any] = []
        for each in level:
            if isinstance(each, dict):
                inside += [*each, *each.values()]
            elif isinstance(each, list):
                inside += each
            elif isinstance(each, str) and not each.isprintable():
                text = printable(each)[:80]
                raise SealError(f"{name}: its household has a text that can't be printed: {text}")
        level = inside
    if level:
        raise SealError(f"{name}: its household has more than {_MOST_LEVELS} levels")


def _refuse_contradictions(extract: Extract, name: str) -> None:
    _refuse_strange_texts(extract.household, name)
    strange = strange_keys(extract.household)
    if strange:
        raise SealError(
            f"{name}: its household has what no extract may hold:"
            f" {printable(', '.join(strange))[:200]}"
        )
    nights = Counter((each.night, each.charge_point) for each in extract.nights)
    other = [night for night, _ in nights if night[:7] != extract.month]
    twice = [night for (night, _), count in nights.items() if count > 1]
    if other or twice:
        what = "of another month" if other else "twice"
        raise SealError(f"{name}: it has the night of {(other or twice)[0]} {what}")
    firsts = Counter(each.first for each in extract.account_changes)
    again = [first for first, count in firsts.items() if count > 1]
    if again:
        raise SealError(f"{name}: its account has the change of {again[0]} twice")
    if not _half_hours_fit(extract):
        raise SealError(f"{name}: its half-hours do not fit its month, or have gaps")


def _half_hours_fit(extract: Extract) -> bool:
    """Whether half-hours are there only if they are shared, in the month, and without gaps."""
    if extract.half_hours and not extract.shares.half_hours:
        return False
    begun = date.fromisoformat(f"{extract.month}-01")
    by_point: dict[str, list[datetime]] = defaultdict(list)
    for each in extract.half_hours:
        by_point[each.charge_point].append(parse_instant(each.start))
    return all(
        later - earlier == HALF_HOUR
        for starts in by_point.values()
        for earlier, later in pairwise(starts)
    ) and all(
        abs(start.date() - begun) <= _FARTHEST for starts in by_point.values() for start in starts
    )


def home_of(extract: Extract, name: str) -> HouseholdFile:
    """Check an extract's part of a household file, and return it as one.

    Parameters
    ----------
    extract : Extract
        The extract.
    name : str
        The file's name, for messages.

    Returns
    -------
    HouseholdFile
        With the days of the account that the extract tells of.

    Raises
    ------
    SealError
        If it is no valid household file.
    """
    try:
        home = HouseholdFile.model_validate(
            plain_data(as_file(extract.household)), context={"directory": Path()}
        )
    except ValidationError as error:
        first = error.errors(include_url=False, include_input=False)[0]
        place = printable(".".join(map(str, first["loc"])))[:200]
        raise SealError(
            f"{name}: its household can't be read: {place}: {printable(first['msg'])};"
            " the household may have a newer Lullwatt than yours"
        ) from error
    changes = (
        AccountChange(date.fromisoformat(each.first), each.ends) for each in extract.account_changes
    )
    return home.with_account_changes(tuple(changes))


def plain_data(value: Any) -> Any:  # noqa: ANN401 - whatever a household file holds
    """Turn decimals into the floats that a household file's reader makes of them."""
    if isinstance(value, dict):
        return {key: plain_data(each) for key, each in value.items()}
    if isinstance(value, list):
        return [plain_data(each) for each in value]
    return float(value) if isinstance(value, Decimal) else value
