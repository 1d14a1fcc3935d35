"""The words of an adviser's letter to a client: models and loading. Knows no figures."""

from __future__ import annotations
