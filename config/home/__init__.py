"""What a home draws besides charging, and what its own solar roofs give.

Knows no charge point, no vehicle and no tariff.
"""
