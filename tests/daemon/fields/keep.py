"""Keep today's schemas and documents in tests/data/documents: `python -m tests.daemon.fields.keep`.

Documents and schemas that are kept already stay as they are; a schema takes up what was added.
"""

from __future__ import annotations

import json
import sys
from pathlib import Path
from tempfile import TemporaryDirectory

from daemon.fields.documents import VERSION, document_schema
from tests.daemon.fields.documents import breaks, documents

KEPT = Path(__file__).parents[2] / "data" / "documents"


def main(folder: Path = KEPT) -> None:
    """Write them; stop at a schema that broke without a new version."""
    with TemporaryDirectory() as made:
        for name, several in documents(Path(made)).items():
            schema, sample = (
                folder / f"{name}-{VERSION}.{kind}.json" for kind in ("schema", "samples")
            )
            today = document_schema(name)
            if schema.exists() and (broken := breaks(json.loads(schema.read_text("utf-8")), today)):
                sys.exit(f"{schema.name}: {'; '.join(broken)}")
            schema.write_text(json.dumps(today, indent=1, ensure_ascii=False) + "\n", "utf-8")
            if not sample.exists():
                text = json.dumps(several, indent=1, default=float, ensure_ascii=False)
                sample.write_text(text.replace(f"{made}/", "") + "\n", "utf-8")


if __name__ == "__main__":
    main()
