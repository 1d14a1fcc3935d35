"""The lease protocol as a small model: commands with serials that expire, on a bus that misbehaves.

`protocol` is the model: two daemons, of which the later one goes on, a broker that retains the last
command, and a charge point. Messages are lost, sent twice, late and out of order. Daemons die after
a command is recorded and before it is sent, and start with their ledger or an empty one. The charge
point boots and loses its connection. `checking` tries every order of a few such steps, and from
each world lets everything work: then the charge point does what the daemon wants. `replaying` lets
the controller, the recovery, the messages and the simulated charge point do the same steps.
`on_the_bus` sends their messages over real connections, and `covering` chooses what it replays.

A tick is ten minutes, a start lasts three, and a daemon needs a minute to start: no more than
twelve commands are sent meanwhile. Clocks are right. At most two messages are on their way.

`plain_plug` is a smaller model of a plug that knows no expiry, whose stop is a Will. Where neither
the stop nor the Will is kept by the broker, a plug that is cut off just then stays on.
"""

from __future__ import annotations
