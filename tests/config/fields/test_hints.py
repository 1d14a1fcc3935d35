"""The nearest word to a misspelt one."""

from __future__ import annotations

import pytest

from config.fields import currencies
from config.fields.hints import nearest


@pytest.mark.parametrize(("text", "meant"), [("GPB", "GBP"), ("gpb", "GBP"), ("NDZ", "NZD")])
def test_swapped_letters_are_nearer_than_another_letter(text: str, meant: str) -> None:
    """GPB has as many letters in place of PAB as of GBP."""
    assert nearest(text, currencies.CURRENCIES) == meant
