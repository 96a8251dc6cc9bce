"""The works of a service: when each is done, how it gives way, and how late it may be."""

from collections.abc import Callable, Mapping

from tareline.app.supervisor import Work

ACCOUNTS_PAUSE_S = 0.5
MONITOR_REST_S = 0.5
MONITOR_SHARE = 4  # idle this many times as long as busy, however many tanks there are
MONITOR_EVERY_S = 30.0
LOAD_PAUSE_S = 1.0  # after the accounts
LOAD_SHARE = 1  # idle as long as busy, up to a limit: most of it is the work of a process that gives way to others
LOAD_EVERY_S = 10.0
# How late a work may be before people are told. The monitor holds feeding, and takes seconds; a small board calculates
# several feeders' years of doses in minutes, and a load may take it five minutes for each tank.
MONITOR_LATE_S = 600.0
ACCOUNTS_LATE_S = 1800.0
LOAD_LATE_S = 7200.0

Body = Callable[[], Mapping[str, Exception] | None]


def works(update_accounts: Body, watch: Body, load: Body, watch_works: Body) -> list[Work]:
    """The works of a service. Each is done after changes; some also at intervals, because they depend on time alone
    too.

    update_accounts: brings the accounts up to the ledger. watch: checks the tanks. load: calculates their loads.
    watch_works: tells people of works that fail or lag.
    """
    return [
        Work(
            "accounts",
            update_accounts,
            late_s=ACCOUNTS_LATE_S,
            wakes_on=lambda what: what not in ("account", "alert", "load"),
            pause_s=ACCOUNTS_PAUSE_S,
        ),
        Work(
            "monitor",
            watch,
            late_s=MONITOR_LATE_S,
            wakes_on=lambda what: what != "alert",  # which it causes itself
            every_s=MONITOR_EVERY_S,
            rest_s=lambda took_s: max(MONITOR_REST_S, MONITOR_SHARE * took_s),
        ),
        Work(
            "load",
            load,
            late_s=LOAD_LATE_S,
            wakes_on=lambda what: what not in ("alert", "load"),  # on which the load of a tank does not depend
            every_s=LOAD_EVERY_S,
            pause_s=LOAD_PAUSE_S,
            rest_s=lambda took_s: min(LOAD_EVERY_S, LOAD_SHARE * took_s),
        ),
        Work(
            "alerts of works",
            watch_works,
            late_s=MONITOR_LATE_S,
            wakes_on=lambda _: False,
            every_s=MONITOR_EVERY_S,
        ),
    ]
