"""A process that decides and tells as the service does, for the tests that kill it.

Usage: alert_script.py DATABASE WEBHOOK FIRST LAST END. It decides about the concerns FIRST to LAST, each in a
transaction of its own, and prints its number once that is committed. END: `tell` tells all the while and until it is
ended; `die` tells nothing, and ends by SIGKILL.
"""

import os
import signal
import sys
import threading

from tareline.app.alerts import Alerts
from tareline.app.context import Context
from tareline.app.deliveries import Deliveries
from tareline.clock import SystemClock
from tareline.core.alerts.alert import Concern
from tareline.notify.targets import Addresses
from tareline.settings import Notify
from tareline.store.engine import Store

TANKS = ("sill", "shelf", "pantry")


def main(database: str, webhook: str, first: int, last: int, end: str) -> None:
    context = Context(Store(f"sqlite:///{database}"), SystemClock())
    settings = Notify(webhooks=[webhook], secret="plankton")
    addresses = Addresses(settings, context.installation)
    alerts, post = Alerts(context, settings, addresses), Deliveries(context, addresses)
    if end == "tell":
        post.start()
    for n in range(first, last + 1):
        now_ms = context.stamp_ms()
        concerns = [
            Concern(f"note/{i:04}", "line", TANKS[i % 3], now_ms, f"concern {i:04}", "Look.") for i in range(n + 1)
        ]
        with context.write() as tx:
            alerts.record(tx, concerns, now_ms)
        context.announce("alert", TANKS[n % 3])
        print(n, flush=True)
    if end == "die":
        os.kill(os.getpid(), signal.SIGKILL)
    threading.Event().wait()


main(sys.argv[1], sys.argv[2], int(sys.argv[3]), int(sys.argv[4]), sys.argv[5])
