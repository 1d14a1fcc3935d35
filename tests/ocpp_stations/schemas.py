"""The published message schemas of OCPP 2.0.1 and 2.1, as the package ocpp carries them."""

from __future__ import annotations

import json
from functools import cache
from importlib.resources import files
from typing import Any

from jsonschema import Draft4Validator

from tests.ocpp_boxes.link import CALL


@cache
def _validator(version: str, name: str) -> Draft4Validator:
    folder = files("ocpp") / f"v{version.replace('.', '')}" / "schemas"
    return Draft4Validator(json.loads((folder / f"{name}.json").read_text("utf-8-sig")))


def fault_in(version: str, kind: int, action: str, payload: Any) -> str | None:  # noqa: ANN401 - JSON
    """Return why a message does not fit its schema; None if it does."""
    name = f"{action}{'Request' if kind == CALL else 'Response'}"
    error = next(_validator(version, name).iter_errors(payload), None)
    return None if error is None else f"{name}: {error.message[:200]}"
