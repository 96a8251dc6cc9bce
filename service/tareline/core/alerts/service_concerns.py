"""What a person should know of the service itself: a work of it that fails, or that does not keep up."""

from tareline.core.alerts.alert import Concern
from tareline.core.alerts.concerns import lasting

KEY = "work/"  # what the key of each begins with
# What fails is tried again within a minute at the latest: after ten minutes of failing it will not mend by chance, and
# meals are hours apart, so that a keeper who is told then still comes in time.
FAILING_MS = 10 * 60_000

WHAT = {
    "accounts": "it no longer works out how much was really fed",
    "monitor": "it no longer looks after the tanks",
    "load": "it no longer works out the load of the tanks",
}
MEANS = {
    "accounts": "Feeding and holds go on, and each dose counts as the cell weighed it. What you weighed or entered "
    "since then is not in the accounts, and the gain of the feeders is not adjusted",
    "monitor": "Feeding goes on under its cap, and a reading that you enter still holds feeding at once. Samples of "
    "probes hold nothing, and no new alert of a tank can come. Look after the tanks yourself",
    "load": "Feeding, holds and alerts go on. The limit and the forecast are old, and the ramp takes no step",
}


def of_work(
    name: str, failing_ms: int | None, error: str | None, lag_ms: int, late_ms: int, now_ms: int
) -> Concern | None:
    """A work that has failed for ten minutes, or lags by more than it may; None of one that does well.

    name: of the work, one of WHAT. failing_ms: for how long it has failed, None where it does not. error: why it failed
    last. lag_ms: how long its oldest change has waited. late_ms: from when on that is too long.
    """
    if failing_ms is not None and failing_ms >= FAILING_MS:
        since_ms, why = now_ms - failing_ms, f"It has failed for {lasting(failing_ms)}: {error}"
    elif lag_ms >= late_ms:
        since_ms, why = now_ms - lag_ms, f"What changed {lasting(lag_ms)} ago is still not worked out"
    else:
        return None
    return Concern(
        key=f"{KEY}{name}",
        kind="device",
        tank=None,
        since_ms=since_ms,
        what=f"Tareline: {WHAT[name]}",
        text=f"{why}. {MEANS[name]}. Tareline tries again by itself. Look whether the machine has memory and space on "
        "its disk left, and restart the service. If it comes again, tell the developers what the log says.",
        urgent=name == "monitor",
    )
