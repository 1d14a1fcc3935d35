"""An adviser's folder: the adviser's key, the households confirmed, and a folder for each home."""

from __future__ import annotations

import json
import shutil
from datetime import date, timedelta
from typing import TYPE_CHECKING, Annotated, Final, NamedTuple

from pydantic import Field, ValidationError

from adapters.host.whole_file import replacing
from adapters.sealing.encrypting import read_or_make_adviser_key
from adapters.sealing.signing import same_fingerprint
from config.extract.extract_file import Day, Label
from config.fields.names import readable_topic_level
from config.fields.value_types import Model
from config.files.errors import LullwattError, SealError, UsageError
from config.files.texts import read_bytes, read_text
from daemon.extracts.opening import MOST_BYTES, home_of, open_extract, read_extract
from daemon.extracts.unpacking import HOUSEHOLD_FILE, unpack

if TYPE_CHECKING:
    from collections.abc import Callable, Iterator, Sequence
    from pathlib import Path

    from config.extract.extract_file import Extract
    from config.household.household_file import HouseholdFile
    from daemon.extracts.opening import OpenedExtract

    Kept = dict[str, tuple[Extract, HouseholdFile]]

KEY_FILE: Final = "adviser.key"
CONFIRMED: Final = "households.json"
EXTRACTS: Final = "extracts"
_MOST_BYTES: Final = 4 * 1024 * 1024
_ONLY_OWNER: Final = 0o700


class Confirmed(Model):
    """A household whose key was confirmed."""

    name: Label
    fingerprint: Label
    folder: Annotated[str, Field(pattern=r"^[a-z0-9-]{1,80}$")]
    confirmed_on: Day


class _Households(Model):
    version: Annotated[int, Field(ge=1, le=1)]
    households: Annotated[tuple[Confirmed, ...], Field(strict=False)]


class Received(NamedTuple):
    """What became of one file: a line for people, and whether it could be used."""

    line: str
    is_used: bool


class Desk:
    """An adviser's folder.

    Parameters
    ----------
    folder : Path
        It must have been started.

    Raises
    ------
    UsageError
        If it was not.
    """

    def __init__(self, folder: Path) -> None:
        if not (folder / KEY_FILE).is_file():
            raise UsageError(
                f"{folder}: expected an adviser's folder; `lullwatt desk start {folder}` makes one"
            )
        self._folder = folder

    def open(self, file: Path) -> OpenedExtract:
        """Open an extract with the adviser's key; see `open_extract`."""
        return open_extract(file, self._folder / KEY_FILE)

    def confirm(
        self, file: Path, opened: OpenedExtract, typed: str, today: date, *, replaces: bool
    ) -> Confirmed:
        """Confirm the key of a household.

        Parameters
        ----------
        file : Path
            An extract of it.
        opened : OpenedExtract
            The same, opened.
        typed : str
            The fingerprint that the household told the adviser.
        today : date
            Local date.
        replaces : bool
            Whether it is a new key of a home that was confirmed by this name.

        Returns
        -------
        Confirmed
            The household.

        Raises
        ------
        SealError
            If the fingerprint is another one.
        UsageError
            If there is no home of this name whose key could be replaced.
        """
        if not same_fingerprint(typed, opened.fingerprint):
            raise SealError(
                f"{file}: NOT CONFIRMED: what you typed is not the fingerprint of the key that"
                " signed this file. Ask the household again. If it is sure, somebody else made the"
                " file: do not use it"
            )
        homes = self.households()
        known = self._of(opened.fingerprint)
        if known is not None:
            return known
        before = [each for each in homes if each.name == opened.name]
        if replaces and len(before) != 1:
            raise UsageError(
                f"--new-key: expected one confirmed home called {opened.name}, got {len(before)}"
            )
        taken = {each.folder for each in homes}
        folder = before[0].folder if replaces else _free_folder(opened.name, taken)
        made = Confirmed(
            name=opened.name,
            fingerprint=opened.fingerprint,
            folder=folder,
            confirmed_on=today.isoformat(),
        )
        self._save([*(each for each in homes if not (replaces and each in before)), made])
        return made

    def receive(self, file: Path, today: Callable[[HouseholdFile], date]) -> Received:
        """Add an extract to its home.

        Parameters
        ----------
        file : Path
            The extract.
        today : callable
            The local date of a home.

        Returns
        -------
        Received
            What became of it.
        """
        try:
            return self._receive(file, today)
        except LullwattError as error:
            return Received(_named(str(error), file), is_used=False)
        except OSError as error:
            where = error.filename or self._folder
            reason = f"{file}: {where} can't be written: {error.strerror}; nothing was added"
            return Received(reason, is_used=False)

    def _receive(self, file: Path, today: Callable[[HouseholdFile], date]) -> Received:
        opened = self.open(file)
        home = self._of(opened.fingerprint)
        if home is None:
            raise SealError(self._unconfirmed(file, opened))
        extract = opened.extract
        _refuse_by_dates(file, opened, today(opened.home))
        folder = self._folder / home.folder
        kept = {each.month: (each, own) for each, own in _kept(folder)}
        gone = _drop_ended(kept, today)
        before = kept.get(extract.month)
        if before is not None and before[0].made_at >= extract.made_at:
            same = before[0] == extract
            words = "was received before" if same else "is older than what was received before"
            if gone:
                self._keep_only(kept, gone, home)
            line = f"{file}: {opened.name}, {extract.month}: {words}; nothing"
            line += " else changed" if gone else " changed"
            return Received(line + _deleted(gone), is_used=True)
        kept[extract.month] = extract, opened.home
        for each in (folder, folder / EXTRACTS):
            each.mkdir(mode=_ONLY_OWNER, exist_ok=True)
        unpack(folder, [kept[month] for month in sorted(kept)], home.fingerprint)
        _write(folder / EXTRACTS / f"{extract.month}.json", opened.content)
        _delete(folder, gone)
        nights = len({each.night for each in extract.nights})
        again = "" if before is None else ", in place of an earlier extract"
        plain = "" if opened.was_encrypted else "; it was not encrypted"
        plain += "" if opened.name == home.name else f"; you confirmed this home as {home.name}"
        return Received(
            f"{folder / HOUSEHOLD_FILE}: {opened.name}, {extract.month}, {nights} nights{again};"
            f" may be read until {extract.consent.until}{plain}{_deleted(gone)}",
            is_used=True,
        )

    def _unconfirmed(self, file: Path, opened: OpenedExtract) -> str:
        command = f"`lullwatt desk confirm {self._folder} {file}`"
        known = [each for each in self.households() if each.name == opened.name]
        if not known:
            return (
                f"{file}: the key of {opened.name} is not confirmed yet: ask the household for its"
                f" fingerprint, by telephone or in person, and type it into {command}"
            )
        return (
            f"{file}: WARNING, ANOTHER KEY: {opened.name} signed with {known[0].fingerprint}, which"
            f" you confirmed on {known[0].confirmed_on}; this file is signed with another"
            " key. Somebody else may have made it: do not use it. If the household"
            f" itself tells you that it has a new key, type its fingerprint into {command} with"
            " --new-key; if it is another home of the same name, without"
        )

    def tidy(self, today: Callable[[HouseholdFile], date]) -> Iterator[str]:
        """Delete every month whose consent has ended; a line for each home that lost some."""
        for home in self.households():
            folder = self._folder / home.folder
            kept = {each.month: (each, own) for each, own in _kept(folder)}
            gone = _drop_ended(kept, today)
            if not gone:
                continue
            self._keep_only(kept, gone, home)
            yield f"{folder}: {home.name}{_deleted(gone)}"

    def _keep_only(self, kept: Kept, gone: Sequence[str], home: Confirmed) -> None:
        folder = self._folder / home.folder
        if not kept:
            shutil.rmtree(folder)
            return
        unpack(folder, [kept[month] for month in sorted(kept)], home.fingerprint)
        _delete(folder, gone)

    def households(self) -> tuple[Confirmed, ...]:
        """Return the households whose keys were confirmed."""
        path = self._folder / CONFIRMED
        if not path.exists():
            return ()
        text = read_text(path, "a list of confirmed households", _MOST_BYTES)
        try:
            return _Households.model_validate(json.loads(text)).households
        except (ValidationError, ValueError, RecursionError) as error:
            raise SealError(
                f"{path}: expected the households that `lullwatt desk confirm` wrote, got something"
                " else"
            ) from error

    def _of(self, fingerprint: str) -> Confirmed | None:
        return next((each for each in self.households() if each.fingerprint == fingerprint), None)

    def _save(self, households: Sequence[Confirmed]) -> None:
        values = {"version": 1, "households": [each.model_dump() for each in households]}
        _write(self._folder / CONFIRMED, json.dumps(values, indent=1).encode())


def start_desk(folder: Path) -> tuple[str, bool]:
    """Make an adviser's folder and key, if there are none.

    Parameters
    ----------
    folder : Path
        The folder.

    Returns
    -------
    recipient : str
        The public half of the key, for households.
    is_new : bool
        Whether it was made now.

    Raises
    ------
    UsageError
        If the folder can't be made.
    """
    try:
        folder.mkdir(mode=_ONLY_OWNER, parents=True, exist_ok=True)
    except OSError as error:
        raise UsageError(f"{folder}: can't be made: {error.strerror}") from error
    key, is_new = read_or_make_adviser_key(folder / KEY_FILE)
    return key.recipient, is_new


def _kept(folder: Path) -> Iterator[tuple[Extract, HouseholdFile]]:
    """Read the extracts that a home's folder keeps."""
    for path in sorted((folder / EXTRACTS).glob("*.json")):
        extract = read_extract(read_bytes(path, "a received extract", MOST_BYTES), str(path))
        yield extract, home_of(extract, str(path))


def _refuse_by_dates(file: Path, opened: OpenedExtract, today: date) -> None:
    consent, made = opened.extract.consent, date.fromisoformat(opened.extract.made_at[:10])
    if date.fromisoformat(consent.until) < today:
        raise SealError(
            f"{file}: {opened.name} consented to its use until {consent.until}, which is over;"
            " delete it, or ask for a new extract"
        )
    if made > today + timedelta(days=1):
        # Later it would count as the newest of its month for ever.
        raise SealError(
            f"{file}: it says that it was made on {made.isoformat()}, which is to come; the clock"
            f" of {opened.name}, or yours, is wrong: put it right, and ask for a new extract"
        )


def _drop_ended(kept: Kept, today: Callable[[HouseholdFile], date]) -> list[str]:
    """Take out the months whose consent has ended, and return them."""
    ended = [
        month
        for month, (each, home) in sorted(kept.items())
        if date.fromisoformat(each.consent.until) < today(home)
    ]
    for month in ended:
        del kept[month]
    return ended


def _delete(folder: Path, months: Sequence[str]) -> None:
    for month in months:
        (folder / EXTRACTS / f"{month}.json").unlink(missing_ok=True)


def _deleted(months: Sequence[str]) -> str:
    return f"; deleted, since consent has ended: {', '.join(months)}" if months else ""


def _free_folder(name: str, taken: set[str]) -> str:
    plain = readable_topic_level(name) or "home"
    tries = (plain if count == 1 else f"{plain}-{count}" for count in range(1, len(taken) + 2))
    return next(each for each in tries if each not in taken)


def _named(message: str, file: Path) -> str:
    return message if str(file) in message else f"{file}: {message}"


def _write(path: Path, content: bytes) -> None:
    with replacing(path) as part:
        part.file.write(content)
