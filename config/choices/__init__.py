"""The choices file of an appraisal: its models, the rules between them, and how it is loaded."""

from __future__ import annotations
