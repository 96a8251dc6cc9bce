"""Alerts of the service's own works.

They are recorded apart from what the monitor finds, and by a work of their own, so that people are also told of a
monitor that fails or hangs.
"""

from collections.abc import Callable, Mapping

from tareline.app.alerts import Alerts
from tareline.app.context import Context
from tareline.app.supervisor import Work, WorkState
from tareline.core.alerts.service_concerns import WHAT, of_work


class WorkAlerts:
    """Makes alerts of works that fail or lag. `record` is called by one thread at a time.

    works, states: the works and their present states, by name.
    """

    def __init__(
        self, context: Context, alerts: Alerts, works: Mapping[str, Work], states: Callable[[], Mapping[str, WorkState]]
    ) -> None:
        self._context, self._alerts, self._works, self._states = context, alerts, works, states

    def record(self) -> None:
        """Bring the alerts of works up to date."""
        now_ms = self._context.stamp_ms()
        found = []
        for name, state in self._states().items():
            if name in WHAT:
                failing_ms = None if state.failing_s is None else int(state.failing_s * 1000)
                late_ms = int(self._works[name].late_s * 1000)
                found.append(of_work(name, failing_ms, state.error, int(state.lag_s * 1000), late_ms, now_ms))
        with self._context.write() as tx:
            step = self._alerts.record_works(tx, [concern for concern in found if concern is not None], now_ms)
        if step.changed:
            self._context.announce("alert", None)
