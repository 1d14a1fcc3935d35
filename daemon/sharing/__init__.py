"""The main fuse, shared among charge points: a joint plan, and what each may draw meanwhile.

Stands above the controllers of the charge points, and changes none of their states. Pure: knows
no bus and no ledger.
"""
