"""The states of the service's works as metrics, read when somebody asks for them."""

from collections.abc import Iterator

from prometheus_client.core import GaugeMetricFamily
from prometheus_client.registry import Collector

from tareline.app.supervisor import Supervisor


class WorkMetrics(Collector):
    """Lag, failure and last times of each work, by its name; a time that does not exist has no sample."""

    def __init__(self, supervisor: Supervisor) -> None:
        self._supervisor = supervisor

    def describe(self) -> Iterator[GaugeMetricFamily]:
        """The families without samples, so that registering them asks nothing."""
        yield from families()

    def collect(self) -> Iterator[GaugeMetricFamily]:
        """The families as they are now."""
        lag, failing, done, failed = told = families()
        for name, state in self._supervisor.states().items():
            lag.add_metric([name], state.lag_s)
            failing.add_metric([name], state.failing_s or 0.0)
            for family, at_ms in ((done, state.done_ms), (failed, state.failed_ms)):
                if at_ms is not None:
                    family.add_metric([name], at_ms / 1000)
        yield from told


def families() -> list[GaugeMetricFamily]:
    """The families without samples: lag, failing, last success, last error."""
    told = {
        "lag": "How long the oldest change has waited that is not calculated yet",
        "failing": "For how long a work has failed; 0 while it does not",
        "last_success_timestamp": "When a work was last done whole, UNIX time",
        "last_error_timestamp": "When a work last failed, UNIX time",
    }
    return [GaugeMetricFamily(f"tareline_work_{name}_seconds", text, labels=["work"]) for name, text in told.items()]
