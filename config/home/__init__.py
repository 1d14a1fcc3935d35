"""What a home draws besides charging, what its own roofs give, and what the grid operator allows.

Knows no charge point, no vehicle and no tariff.
"""
