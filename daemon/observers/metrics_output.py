"""Choose where figures for graphs are published. Loads the extra only if it is needed."""

from __future__ import annotations

from typing import TYPE_CHECKING, Final

from config.files.errors import MetricsError

if TYPE_CHECKING:
    from adapters.metrics.families import MetricsOutput
    from config.doors.metrics import Metrics

EXTRA_MISSING: Final = (
    "the household file has metrics, which need the extra: pip install 'lullwatt[metrics]'"
)


def check_metrics(metrics: Metrics | None) -> None:
    """Raise an error if the figures can't be published, as far as that shows beforehand.

    Parameters
    ----------
    metrics : Metrics or None
        What the household file says.

    Raises
    ------
    MetricsError
        If the extra is not installed, or the file can't be written there.
    """
    if metrics is None:
        return
    try:
        from adapters.metrics.file import refuse_file  # noqa: PLC0415 - loads an extra
    except ModuleNotFoundError as error:
        raise MetricsError(EXTRA_MISSING) from error
    if metrics.file is not None:
        refuse_file(metrics.file)


def metrics_output_of(metrics: Metrics) -> MetricsOutput:
    """Make the publisher of figures, not started yet.

    Parameters
    ----------
    metrics : Metrics
        What the household file says.

    Returns
    -------
    MetricsOutput
        A file or a server.
    """
    if metrics.file is not None:
        from adapters.metrics.file import MetricsFile  # noqa: PLC0415 - as above

        return MetricsFile(metrics.file)
    from adapters.metrics.server import MetricsServer  # noqa: PLC0415 - as above

    assert metrics.address is not None  # noqa: S101 - one of the two is given
    return MetricsServer(metrics.address)
