"""What every test rests on: the pinned time zone data, and reproducible property tests."""

from __future__ import annotations

from hypothesis import settings

from config.zones import use_pinned_zones

use_pinned_zones()

settings.register_profile("deterministic", derandomize=True, deadline=None)
settings.load_profile("deterministic")
