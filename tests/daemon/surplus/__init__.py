"""Tests of what the grid meter shows."""
