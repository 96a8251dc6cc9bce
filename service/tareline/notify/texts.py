"""What a message says: one for each tank, what is urgent first and what is over last."""

from collections.abc import Sequence

from tareline.guard.alerts import Notice, Why

SAID: dict[Why, str] = {
    "opened": "",
    "worse": "Worse: ",
    "unseen": "Nobody has looked at this yet: ",
    "reopened": "Again: ",
    "cleared": "Over: ",
}
_ORDER: tuple[Why, ...] = ("opened", "worse", "reopened", "unseen", "cleared")


def in_order(notices: Sequence[Notice]) -> list[Notice]:
    """As they are said: urgent ones first, what is over last, and the older before the newer."""
    return sorted(
        notices,
        key=lambda one: (one.why == "cleared", not one.alert.urgent, _ORDER.index(one.why), one.alert.since_ms),
    )


def compose(place: str, notices: Sequence[Notice]) -> tuple[str, str]:
    """Title and text of one message. place: the tank's name, or what stands for no tank; notices: in order, not empty.

    What is over is said in one line: nothing is left to do.
    """
    first = notices[0]
    more = f" (and {len(notices) - 1} more)" if len(notices) > 1 else ""
    title = f"{place}: {SAID[first.why]}{first.alert.what}{more}"
    parts = []
    for one in notices:
        head = f"{SAID[one.why]}{one.alert.what}"
        parts.append(head if one.why == "cleared" else f"{head}\n{one.alert.text}")
    return title, "\n\n".join(parts)
