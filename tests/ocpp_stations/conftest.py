"""The broker of these nights."""

from __future__ import annotations

from tests.support.brokers import quick_mosquitto

__all__ = ["quick_mosquitto"]
