"""Drop samples that do not fit the schema of their message, so that the rest counts."""

from __future__ import annotations

from collections.abc import Mapping
from contextlib import suppress
from functools import cache
from typing import Any, Final

from ocpp.messages import MessageType, get_validator

_KEY: Final = "meterValue"
MOST_SAMPLES: Final = 1000
"""Of one instant; 26 measurands at 5 places on 10 phases are 1,300, and nobody sends them all."""


def without_wrong_samples(payload: Any, action: str, version: str) -> Any:  # noqa: ANN401 - JSON
    """Return a message without the samples that do not fit.

    Parameters
    ----------
    payload
        As it came; checked by nobody yet.
    action
        The name of the message.
    version
        Of OCPP.

    Returns
    -------
    object
        The same, without instants that have no sample left. Numbers written as texts are numbers.
    """
    if not isinstance(payload, Mapping) or not isinstance(payload.get(_KEY), list):
        return payload
    fits = _sample_check(action, version)
    kept = []
    for each in payload[_KEY]:
        samples = each.get("sampledValue") if isinstance(each, Mapping) else None
        if isinstance(samples, list):
            found = [_repaired(sample) for sample in samples[:MOST_SAMPLES]]
            if right := [sample for sample in found if fits.is_valid(sample)]:
                kept.append({**each, "sampledValue": right})
    rest = {key: value for key, value in payload.items() if key != _KEY}
    return {**rest, _KEY: kept} if kept else rest


def _repaired(sample: Any) -> Any:  # noqa: ANN401 - JSON
    value = sample.get("value") if isinstance(sample, Mapping) else None
    if isinstance(value, str):
        with suppress(ValueError):
            return {**sample, "value": float(value)}
    return sample


@cache
def _sample_check(action: str, version: str) -> Any:  # noqa: ANN401 - a validator of the package
    """Return what checks one sample."""
    whole = get_validator(MessageType.Call, action, version)
    part = {"$ref": "#/definitions/SampledValueType", "definitions": whole.schema["definitions"]}
    return type(whole)(part)
