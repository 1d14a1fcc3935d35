"""The main fuse, shared among charge points: a joint plan, and what each may draw meanwhile.

Stands above the controllers of the charge points, and changes none of their states. Knows no bus
and no ledger. Pure, but for the process that makes the plans (`planning_process`).
"""
