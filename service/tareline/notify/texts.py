"""The text of a message: one message for each tank, urgent alerts first, cleared ones last."""

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
# The text of an alert that has cleared, by its subject; {0} is the device or the analyte.
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
    """The notices in the order of the message: urgent ones first, cleared ones last, and the older before the newer."""
    return sorted(
        notices,
        key=lambda one: (one.why == "cleared", not one.alert.urgent, _ORDER.index(one.why), one.alert.since_ms),
    )


def over(alert: Alert, place: str) -> str:
    """The text for an alert that has cleared; by default the alert's own words."""
    about, _, rest = alert.key.partition("/")
    names = rest.split("/")
    subject = names[0] if about not in ("line", "rising") else NAMES.get(names[1], names[1]) if len(names) > 1 else None
    if about not in OVER or subject is None:
        return f"{SAID['cleared']}{_what(alert, place)}"
    return OVER[about].format(subject)


def compose(place: str, zone: str, notices: Sequence[Notice]) -> tuple[str, str]:
    """Title and text of one message. place, zone: the tank's name and time zone, or what stands for no tank. notices:
    in order, not empty.

    An alert that has cleared takes one line, with how long it lasted, because nothing is left to do.
    """
    more = f" (and {len(notices) - 1} more)" if len(notices) > 1 else ""
    parts = []
    for one in notices:
        if one.why == "cleared":
            parts.append((over(one.alert, place), _lasted(one.alert, zone)))
        else:
            parts.append((f"{SAID[one.why]}{_what(one.alert, place)}", one.alert.text))
    # Some receivers show no title, so the text also names the place and the problem.
    text = "\n\n".join(f"{head}\n{text}" for head, text in parts)
    return f"{place}: {parts[0][0]}{more}", f"{place}: {text}"


def _what(alert: Alert, place: str) -> str:
    """What an alert is about, for use under a title that names the place."""
    return alert.what.removeprefix(f"{place}: ")


def _lasted(alert: Alert, zone: str) -> str:
    """How long a problem lasted. For alerts that open only some time after their beginning: for how long they were
    open."""
    since_ms = alert.opened_ms if alert.kind in ("rising", "due") else alert.since_ms
    ended_ms = max(since_ms, alert.gone_ms or alert.cleared_ms or since_ms)
    place = Location(alert.tank, "", zone)
    return f"It lasted {lasting(ended_ms - since_ms)}, from {place.when(since_ms)} until {place.when(ended_ms)}."
