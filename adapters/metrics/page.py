"""Write metrics as OpenMetrics text.

The only module that imports prometheus-client. That package is an extra: this module is loaded only
if the household file asks for metrics.
"""

from __future__ import annotations

from typing import TYPE_CHECKING, Final

from prometheus_client.metrics_core import Metric
from prometheus_client.openmetrics.exposition import CONTENT_TYPE_LATEST, generate_latest

if TYPE_CHECKING:
    from collections.abc import Iterable, Iterator

    from adapters.metrics.families import Family

CONTENT_TYPE: Final[str] = CONTENT_TYPE_LATEST

_SUFFIXES = {"gauge": "", "counter": "_total", "info": "_info"}


class _Collected:
    """Families in place of the registry that the library expects."""

    def __init__(self, families: Iterable[Family]) -> None:
        self._families = families

    def collect(self) -> Iterator[Metric]:
        for family in self._families:
            metric = Metric(family.name, family.help, family.kind, family.unit)
            for labels, value in family.figures:
                metric.add_sample(family.name + _SUFFIXES[family.kind], dict(labels), value)
            yield metric


def page(families: Iterable[Family]) -> bytes:
    """Return metrics as OpenMetrics text 1.0.0.

    Parameters
    ----------
    families : iterable of Family
        With unique names.

    Returns
    -------
    bytes
        UTF-8, with ``# EOF`` as its last line.
    """
    return bytes(generate_latest(_Collected(families)))  # type: ignore[no-untyped-call]
