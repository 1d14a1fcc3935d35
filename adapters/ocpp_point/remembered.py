"""Remember what equipment can do, in a file beside the ledger.

Losing the file does no harm: equipment is asked again when it connects.
"""

from __future__ import annotations

import json
from contextlib import suppress
from pathlib import Path
from typing import Final

from adapters.host.whole_file import replacing
from adapters.ocpp_point.abilities import Abilities, abilities_from_json

_MOST_BYTES: Final = 2**20


def remembered_at(ledger: Path) -> Path:
    """Return the path of the file beside a ledger."""
    return ledger.with_name(f"{ledger.name}.ocpp.json")


class Remembered:
    """The abilities of each charge point.

    Parameters
    ----------
    path
        The file; None to forget all at the end.
    """

    def __init__(self, path: Path | None = None) -> None:
        self._path = path
        self._known = {} if path is None else _read(path)

    def of(self, charge_point: str) -> Abilities:
        """Return what is known of a charge point, or `Abilities()`."""
        return self._known.get(charge_point, Abilities())

    def keep(self, charge_point: str, abilities: Abilities) -> None:
        """Keep what is known now, in the file as well.

        Raises
        ------
        OSError
            If the file can't be written; it is known all the same, until the end.
        """  # noqa: DOC502 - raised by the system
        if self._known.get(charge_point) == abilities:
            return
        self._known[charge_point] = abilities
        if self._path is None:
            return
        kept = {name: each.to_json() for name, each in self._known.items()}
        with replacing(self._path) as part:
            part.file.write(json.dumps(kept, indent=1).encode())


def _read(path: Path) -> dict[str, Abilities]:
    with suppress(OSError, ValueError):
        if path.stat().st_size <= _MOST_BYTES:
            kept = json.loads(path.read_text(encoding="utf-8"))
            if isinstance(kept, dict):
                return {str(name): abilities_from_json(each) for name, each in kept.items()}
    return {}
