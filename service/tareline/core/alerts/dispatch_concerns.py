"""Concerns about what a feeder should be told: that it cannot be calculated, or is not confirmed."""

from tareline.core.alerts.alert import Concern
from tareline.core.alerts.concerns import Location
from tareline.core.units import MINUTE_MS

# A feeder confirms a plan within seconds. By then one that restarted or reconnected has long been sent it again, and
# meals lie hours apart, so that a keeper who is told now still comes before most of them (judgement).
PLAN_WAITS_MS = 10 * MINUTE_MS


def of_plan(place: Location, feeder: str, issued_ms: int, waited_ms: int) -> Concern | None:
    """The concern about a feeder that has not confirmed its newest plan.

    waited_ms: for how long it has been online since, so that it could have.
    """
    if waited_ms < PLAN_WAITS_MS:
        return None
    return Concern(
        key=f"plan/{feeder}",
        kind="feeder",
        tank=place.tank,
        since_ms=issued_ms,
        what=f"{place.name}: {feeder} has not confirmed its new plan",
        text=f"The plan was issued {place.when(issued_ms)}. The feeder is on the network, but has not said that it "
        "follows this plan. It probably still follows the one before: a ration that was changed since then is not in "
        "force. Tareline sends the plan again whenever the feeder connects. Disconnect its power for a minute. If this "
        "comes again, check whether its firmware suits this service; where it must not feed by the old plan, leave it "
        "without power.",
    )


def of_dispatch_fault(place: Location, feeder: str, since_ms: int, error: str) -> Concern:
    """The concern about a feeder whose hold or plan cannot be calculated. error: why."""
    return Concern(
        key=f"dispatch/{feeder}",
        kind="device",
        tank=place.tank,
        since_ms=since_ms,
        what=f"{place.name}: Tareline cannot tell {feeder} what to do now",
        text=f"Since {place.when(since_ms)} its plan or its hold could not be worked out ({error}); the log says "
        "where. The feeder continues with the plan and the hold that it has, under its cap. What was entered since "
        "then may not reach it, a hold included. Tareline tries again every minute. Look after this feeder yourself: "
        "if it must not feed, disconnect its power. Tell the developers.",
        urgent=True,
        covers=(f"blind/{place.tank}",),
    )
