"""Years of nights with faults in virtual time: service, ledger, broker, hardware, people.

One thread and one seed make one history. `world` keeps time and breaks the daemon off at any step;
`broker` delays, repeats and loses messages, and dies; `process` is the daemon: it crashes, finds
its disk full, and has a clock that steps; `life` moves the vehicle and asks for things; `faults`
draws what goes wrong; `verdict` says what must hold all the same. `make simulate` plays years.
"""

from __future__ import annotations
