"""Counters of the service, in OpenMetrics."""

from prometheus_client import CollectorRegistry, Counter, Gauge, Histogram
from prometheus_client.openmetrics.exposition import CONTENT_TYPE_LATEST, generate_latest

__all__ = ["CONTENT_TYPE_LATEST", "Metrics"]


class Metrics:
    """One service's counters."""

    def __init__(self) -> None:
        self.registry = CollectorRegistry()
        self.messages = Counter(
            "tareline_messages", "Messages taken, by what they were", ["what"], registry=self.registry
        )
        self.batches = Histogram(
            "tareline_batch_messages",
            "Messages in one transaction",
            buckets=(1, 2, 5, 10, 20, 50, 100, 200, 500),
            registry=self.registry,
        )
        self.sent = Counter("tareline_sent", "Messages sent to devices, by topic", ["topic"], registry=self.registry)
        self.connected = Gauge("tareline_broker_connected", "1 while the broker is reached", registry=self.registry)
        self.behind = Gauge(
            "tareline_clock_behind_seconds", "How far the clock is behind the newest entry", registry=self.registry
        )

    def text(self) -> bytes:
        """All of them, as OpenMetrics 1.0 text."""
        return bytes(generate_latest(self.registry))  # type: ignore[no-untyped-call]
