"""Every state in which a power cut can leave the ledger's files, opened again.

`recording` lists what a process wrote and synced, by strace. `disk` says what the disk may hold
after a cut: what was synced is there; of the rest any part. `steps` writes a ledger, `judging`
opens each image as the daemon does. `make crash-images` plays all of it.

The model of the disk: a sync of a file keeps its content and length, a sync of a folder keeps
names; sectors of 512 bytes are written whole or not at all, in any order. The -shm file is no part
of the record: SQLite makes it again.
"""

from __future__ import annotations
