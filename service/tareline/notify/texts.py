"""What a message says: one for each tank, what is urgent first and what is over last."""

from collections.abc import Sequence

from tareline.core.alerts.alert import Alert, Notice, Why
from tareline.core.alerts.concerns import Location, lasting
from tareline.core.safety.lines import NAMES

SAID: dict[Why, str] = {
    "opened": "",
    "worse": "worse: ",
    "unseen": "nobody has looked at this yet: ",
    "reopened": "again: ",
    "cleared": "over: ",
}
# What is so once something is over, by what it was about; {0} is the device or the analyte.
OVER = {
    "hold": "feeding is no longer held",
    "reduced": "meals are no longer reduced",
    "unconfirmed": "the hold that {0} had not confirmed is confirmed, or over",
    "line": "{0} no longer crosses a line",
    "rising": "{0} is no longer moving towards a line",
    "due": "nothing is overdue any more",
    "jam": "{0} feeds again",
    "empty": "{0} feeds again",
    "short": "{0} gives the requested amount again",
    "surplus": "{0} gives the requested amount again",
    "stopped": "{0}, which had stopped itself, feeds again",
    "unweighed": "{0} weighs its doses again",
    "hopper": "the hopper of {0} has food for more than a few days",
    "silent": "{0} is back on the network",
    "starved": "the tank gets its ration again",
    "finding": "the weights that did not add up have been explained",
}
_ORDER: tuple[Why, ...] = ("opened", "worse", "reopened", "unseen", "cleared")


def in_order(notices: Sequence[Notice]) -> list[Notice]:
    """As they are said: urgent ones first, what is over last, and the older before the newer."""
    return sorted(
        notices,
        key=lambda one: (one.why == "cleared", not one.alert.urgent, _ORDER.index(one.why), one.alert.since_ms),
    )


def over(alert: Alert, place: str) -> str:
    """What is so now that an alert is over; its own words where nothing better is known."""
    about, _, rest = alert.key.partition("/")
    names = rest.split("/")
    subject = names[0] if about not in ("line", "rising") else NAMES.get(names[1], names[1]) if len(names) > 1 else None
    if about not in OVER or subject is None:
        return f"{SAID['cleared']}{_what(alert, place)}"
    return OVER[about].format(subject)


def compose(place: str, zone: str, notices: Sequence[Notice]) -> tuple[str, str]:
    """Title and text of one message. place, zone: the tank's name and time zone, or what stands for no tank; notices:
    in order, not empty.

    What is over is said in a line, with how long it lasted: nothing is left to do.
    """
    more = f" (and {len(notices) - 1} more)" if len(notices) > 1 else ""
    parts = []
    for one in notices:
        if one.why == "cleared":
            parts.append((over(one.alert, place), _lasted(one.alert, zone)))
        else:
            parts.append((f"{SAID[one.why]}{_what(one.alert, place)}", one.alert.text))
    # Some receivers show no title: the text says where and what by itself.
    text = "\n\n".join(f"{head}\n{text}" for head, text in parts)
    return f"{place}: {parts[0][0]}{more}", f"{place}: {text}"


def _what(alert: Alert, place: str) -> str:
    """What an alert is about, under a title that says where."""
    return alert.what.removeprefix(f"{place}: ")


def _lasted(alert: Alert, zone: str) -> str:
    """How long something was so; what only showed in the end, for how long people knew."""
    since_ms = alert.opened_ms if alert.kind in ("rising", "due") else alert.since_ms
    ended_ms = max(since_ms, alert.gone_ms or alert.cleared_ms or since_ms)
    place = Location(alert.tank, "", zone)
    return f"It lasted {lasting(ended_ms - since_ms)}, from {place.when(since_ms)} until {place.when(ended_ms)}."
