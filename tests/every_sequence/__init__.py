"""Every sequence of happenings, not some: an explicit-state search of `daemon/control`.

``python -m tests.every_sequence``, or ``make every-sequence``, tries all sequences of what may
happen to a charge point, the short ones first, from several starts, and holds the invariants of the
daemon after every single step. The same for two charge points under one main fuse, with the parts
between them that the service has. What is found is the shortest sequence there is.

`points` has one charge point and what may happen to it, `homes` two; `starts` says where a search
begins, `invariants` what must hold, `abstraction` when two worlds are one; `search` searches;
`reaching` goes on with an honest plug until the departure; `restarting` kills the daemon and starts
it with the real recovery; `planted` has faults that must be found.

What the search rests on, and where it ends:

- Worlds that differ only in the day, in serials, in the register's zero, in the age of what is too
  old to matter, or in what only the account of a night is made from, count as one (`abstraction`).
  That they behave alike is tried on samples: pairs of sequences that lead to one key go on together
  (`search.unlike_twins`). Of an account nothing is checked but the order of its stays.
- The deepest searches take one world of each kind: of those that differ only in how long, how much
  or how full by less than some four times, the first goes on (`abstraction.kind_of`). They reach
  sequences that are longer, and not all of them.
- Pilot states D and F count as C and E. Alerts that nothing but the alerts depends on are left out
  of the key; they are still raised and cleared in every step.
- What a meter reports after more than an hour of silence flowed in the first hour of it.
- Time passes to the next wake-up, by a minute, past a start's lease, or past a stop's. Clocks are
  not put back, and no message is late: `tests/daemon/control/test_invariants.py` draws those.
- Plans are those of the real planner, each made once, for one night at a time
  (`tests.support.remembered_plans`). A joint plan is one of three that a happening chooses, since
  no plan may matter for the fuse.
- The sentences of plans are not made: nothing is decided by them.
- A restart reads a ledger that has everything; what a kill may lose is for `tests/faults`.
- A vehicle begins to draw no sooner than the daemon has reacted to it (`homes`), and follows at
  once. Behind the fuse the home's load is not read.
"""

from __future__ import annotations
