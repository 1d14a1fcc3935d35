"""Let a command that root runs give up root's rights where another user's files are at stake."""

from __future__ import annotations

import os
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from pathlib import Path

_ROOT = 0


def act_as_owner_of(folder: Path) -> None:
    """Go on as the user who owns a folder, if root runs this process; for good.

    What is made there then belongs to that user, and a link that they put there leads root nowhere.

    Parameters
    ----------
    folder : Path
        If it is missing, nothing happens.
    """
    if os.geteuid() != _ROOT or not folder.exists():
        return
    owner = folder.stat()
    if owner.st_uid != _ROOT:
        os.setgroups([])
        os.setgid(owner.st_gid)
        os.setuid(owner.st_uid)
