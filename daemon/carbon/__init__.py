"""What the daemon and the commands know of the grid's carbon.

Intensities by file and by the bus, and what of them can't be true.
"""
