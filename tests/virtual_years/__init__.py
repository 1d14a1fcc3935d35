"""Years of nights with faults in virtual time: service, ledger, broker, hardware, people.

One thread and one seed make one history. `world` keeps time and breaks the daemon off at any step;
`broker` delays, repeats and loses messages, and dies; `process` is the daemon: it crashes, and its
clock steps; `disk` is full, or loses its power in the midst of a write. `homes` are one charge
point, two behind a fuse, a foreign box; `life` moves a vehicle and asks for things; `faults` draws
what goes wrong. `watch` says what must hold at every instant all the same, `verdict` what the
ledger must hold in the end; `planted` are faults that both must find. `make simulate` plays years.
"""

from __future__ import annotations
