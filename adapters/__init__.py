"""The outside world: the bus, the ledger, timers and clocks, and simulated hardware."""
