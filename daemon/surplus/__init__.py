"""What the grid meter shows of the home's own generation: means for the account.

Knows the meter's readings, but no bus, no ledger and no clock.
"""
