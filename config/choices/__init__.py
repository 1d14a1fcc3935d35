"""The choices file of an appraisal: its models, the rules between them, loading."""

from __future__ import annotations
