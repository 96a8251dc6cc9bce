"""What is left in a feeder's hopper by its account, how long that lasts, and what is due next."""

from collections.abc import Mapping
from typing import Any

from tareline.entries import stated
from tareline.feeding.hopper import hopper
from tareline.reconciling import Account


def hopper_view(account: Account | None, plan: Mapping[str, Any] | None, zone: str) -> dict[str, Any]:
    """The hopper if the plan in force goes on; every value None before there is an account, days None where nothing
    is being fed. plan: the body of the feeder's newest `down/plan`."""
    if account is None or account.found is None:
        names = ("content_g", "content_sd_g", "days_left", "days_low", "days_high", "refill_by", "weigh_by")
        return dict.fromkeys(names)
    found = hopper(account.found, daily_g(plan))
    return {
        "content_g": found.content_g,
        "content_sd_g": found.content_sd_g,
        "days_left": found.days,
        "days_low": found.days_low,
        "days_high": found.days_high,
        "refill_by": None if found.refill_by_ms is None else stated(found.refill_by_ms, zone),
        "weigh_by": stated(found.weigh_by_ms, zone),
    }


def daily_g(plan: Mapping[str, Any] | None) -> float:
    """What a plan asks for in a day: the most of any that has not begun yet, since a new ration comes with a midnight,
    and an absence that feeds less ends again."""
    meals = plan["meals"] if plan is not None else []
    days: dict[str, float] = {}
    for meal in meals:
        day = str(meal["id"]).partition("/")[0]
        days[day] = days.get(day, 0.0) + float(meal["target_g"])
    return max((grams for day, grams in days.items() if day != min(days)), default=sum(days.values()))
