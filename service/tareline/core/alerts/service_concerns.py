"""Concerns about the service itself: one of its background tasks fails, or does not keep up."""

from tareline.core.alerts.alert import Concern
from tareline.core.alerts.concerns import lasting

KEY = "work/"  # what the key of each begins with
# A task that fails is tried again within a minute. After ten minutes a person has to act; since meals are hours apart,
# a message at that time is early enough.
FAILING_MS = 10 * 60_000

WHAT = {
    "accounts": "it no longer calculates how much was really fed",
    "monitor": "it no longer watches the tanks",
    "load": "it no longer calculates the load of the tanks",
}
MEANS = {
    "accounts": "Feeding and holds continue, and each dose counts as the cell weighed it. What you weighed or entered "
    "since then is not included, and the gain of the feeders is not adjusted",
    "monitor": "Feeding continues under its cap, and a reading that you enter still holds feeding at once. Samples of "
    "probes hold nothing, and no new alert about a tank is sent. Watch the tanks yourself",
    "load": "Feeding, holds and alerts continue. The limit and the forecast are out of date, and the ramp takes no "
    "step",
}


def of_work(
    name: str, failing_ms: int | None, error: str | None, lag_ms: int, late_ms: int, now_ms: int
) -> Concern | None:
    """A task that has failed for ten minutes, or lags too far behind; None where it works.

    name: of the task, one of WHAT. failing_ms: for how long it has failed, None where it works. error: its last error.
    lag_ms: how long its oldest change has waited. late_ms: the longest acceptable lag.
    """
    if failing_ms is not None and failing_ms >= FAILING_MS:
        since_ms, why = now_ms - failing_ms, f"It has failed for {lasting(failing_ms)}: {error}"
    elif lag_ms >= late_ms:
        since_ms, why = now_ms - lag_ms, f"A change of {lasting(lag_ms)} ago is still not processed"
    else:
        return None
    return Concern(
        key=f"{KEY}{name}",
        kind="device",
        tank=None,
        since_ms=since_ms,
        what=f"Tareline: {WHAT[name]}",
        text=f"{why}. {MEANS[name]}. Tareline tries again automatically. Check whether the computer has enough memory "
        "and disk space, and restart the service. If this happens again, send the log to the developers.",
        urgent=name == "monitor",
    )
