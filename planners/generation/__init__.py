"""What the home's own solar roofs are expected to give: a clear sky, and forecasts.

Knows no charging, no rates, and nothing of what the home itself uses.
"""
