"""Write the document of a report as JSON or as a workbook."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

from daemon.fields.documents import versioned
from daemon.presentation.output import json_text, needs_extra

if TYPE_CHECKING:
    from collections.abc import Mapping

    from daemon.presentation.output import ReportForm


def document_text(name: str, values: Mapping[str, Any], form: ReportForm) -> str | bytes:
    """Write a document.

    Parameters
    ----------
    name : str
        One of `daemon.fields.documents.DOCUMENTS`.
    values : mapping
        Its values.
    form : ReportForm
        JSON, or a workbook.

    Returns
    -------
    str or bytes
        The text, or the file of the workbook.
    """
    if form.name == "json":
        return json_text(versioned(name, values))
    with needs_extra("--format xlsx", "sheets"):
        from daemon.sheets.reports import workbook  # noqa: PLC0415 - an extra, and slow to load
    return workbook(name, values)
