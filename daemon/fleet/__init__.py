"""Appraise very many homes on a Dask cluster, and keep each result (`appraise --results`).

It knows the desk's work for one home, and no report.
"""

from __future__ import annotations
