"""The carbon that the grid's power causes: its intensity at any instant, and kilograms of energy.

Knows no rates, no plans and no meters: only minutes, and functions that tell an energy.
"""
