"""What the daemon and the commands know of the home's own solar roofs.

Forecasts by file and by the bus, the roofs' own meter, and what of them can't be true.
"""
