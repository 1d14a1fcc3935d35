"""Write the documents of reports as workbooks for spreadsheets (`--format xlsx`).

Which sheets a report has, and how cells are typed. It knows documents and fields, no report's code.
"""

from __future__ import annotations
