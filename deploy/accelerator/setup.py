"""Build the accelerator: cffi has no place for its one setting in pyproject.toml."""

from __future__ import annotations

from setuptools import setup

setup(cffi_modules=["build_rows.py:builder"])
