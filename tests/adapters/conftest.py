"""Fixtures for the edges: real brokers."""

from __future__ import annotations

from tests.support.brokers import make_mosquitto, mosquitto

__all__ = ["make_mosquitto", "mosquitto"]
