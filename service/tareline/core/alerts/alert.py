"""Alerts: about what a person receives a message, when, and when again.

A concern is a problem that exists now; an alert is the record of a concern over time. There is one alert at a time for
each key. It opens with its concern, is sent again when the concern gets worse or when nobody has seen the alert, and
clears once the concern has been gone for a settling time. The same concern within a day reopens the same alert.

A message waits here until it may be sent: in quiet hours only urgent alerts are sent, others at the end of these hours,
and alerts that opened and cleared within them are never sent. All times are whole UNIX milliseconds; all figures are
judgement of ours.
"""

from collections.abc import Iterable, Mapping
from dataclasses import dataclass, field, replace
from datetime import time
from typing import Literal

from tareline.core.calendar import from_ms
from tareline.core.units import DAY_MS, HOUR_MS, MINUTE_MS

Kind = Literal["line", "hold", "rising", "feeder", "device", "finding", "budget", "due"]
State = Literal["open", "seen", "cleared"]
Why = Literal["opened", "worse", "unseen", "reopened", "cleared"]


REOPENS_MS = DAY_MS
# How long a concern must be gone. A concern that ends by a decision or a reading by hand needs no settling time.
SETTLES_MS: Mapping[Kind, int] = {
    "line": 10 * MINUTE_MS,
    "hold": 0,
    "rising": 6 * HOUR_MS,
    "feeder": 10 * MINUTE_MS,
    "device": 10 * MINUTE_MS,
    "finding": 0,
    "budget": HOUR_MS,
    "due": 0,
}
# Concerns about one moment or one day: they only become old, so that no message about their end is sent.
AGES = ("missed", "unanswered", "fault", "rejects", "boards", "over")
URGENT_AGAIN_MS = (HOUR_MS, 6 * HOUR_MS)  # after the first and the second message; then daily while it lasts
OTHERS_AGAIN = 3  # times, a day apart


@dataclass(frozen=True, slots=True)
class Concern:
    """A problem that exists now.

    key: its subject, such as "line/fable/ammonia". what: one short sentence, what and where. text: since when, how
    certain, what was done, what to do now. urgent: whether it is sent in quiet hours too. grade: increases when it gets
    worse. covers: keys of other concerns that are included in this one, so that one event gives one alert.
    """

    key: str
    kind: Kind
    tank: str | None
    since_ms: int
    what: str
    text: str
    urgent: bool = False
    grade: int = 0
    covers: tuple[str, ...] = ()


@dataclass(frozen=True, slots=True)
class Alert:
    """The record of a concern over time.

    id: None until it is stored. told: how often it was sent since it opened, reopened or got worse. owed: why a message
    is still to be sent, None where none is. gone_ms: since when the concern is gone. reopened: how often; each time
    doubles the settling time. undelivered: which address finally could not be reached, and why.
    """

    id: int | None
    key: str
    kind: Kind
    tank: str | None
    since_ms: int
    state: State
    what: str
    text: str
    urgent: bool
    grade: int
    opened_ms: int
    owed: Why | None = None
    told: int = 0
    told_ms: int | None = None
    gone_ms: int | None = None
    reopened: int = 0
    seen_ms: int | None = None
    seen_by: str | None = None
    note: str | None = None
    cleared_ms: int | None = None
    undelivered: str | None = None


@dataclass(frozen=True, slots=True)
class QuietHours:
    """The local hours in which only urgent alerts are sent. They may span midnight; `end` is not included."""

    start: time
    end: time

    def holds(self, local: time) -> bool:
        """Whether a time of day lies in these hours."""
        if self.start <= self.end:
            return self.start <= local < self.end
        return local >= self.start or local < self.end


@dataclass(frozen=True, slots=True)
class Rules:
    """When alerts may be sent. quiet: None where there are no quiet hours. zones: the time zone of each tank; zone:
    that of alerts without a tank."""

    quiet: QuietHours | None = None
    zones: Mapping[str, str] = field(default_factory=dict)
    zone: str = "UTC"

    def silenced(self, alert: Alert, now_ms: int) -> bool:
        """Whether the message must wait for the end of quiet hours; a message about an end is never urgent."""
        if self.quiet is None or (alert.urgent and alert.owed != "cleared"):
            return False
        zone = self.zones.get(alert.tank, self.zone) if alert.tank is not None else self.zone
        return self.quiet.holds(from_ms(now_ms, zone).time())


@dataclass(frozen=True, slots=True)
class Notice:
    """A message to be sent now: the alert in its new state, and why it is sent."""

    alert: Alert
    why: Why


@dataclass(frozen=True, slots=True)
class AlertChanges:
    """The alerts that changed in one round, and the notices to be sent now, in one message for each tank."""

    changed: tuple[Alert, ...]
    notices: tuple[Notice, ...]


def step(alerts: Mapping[str, Alert], concerns: Iterable[Concern], now_ms: int, rules: Rules) -> AlertChanges:
    """Update the alerts from all present concerns.

    alerts: the newest of each key, if it is not cleared, was cleared within a day, or still has a message to be sent.
    """
    found = {concern.key: concern for concern in concerns}
    covered = {key for concern in found.values() for key in concern.covers}
    now = {key: concern for key, concern in found.items() if key not in covered}
    changed: list[Alert] = []
    notices: list[Notice] = []
    for key in sorted({*alerts, *now}):
        before = alerts.get(key)
        after: Alert | None
        if key in now:
            after = _while_present(before, now[key], now_ms)
        else:
            after = _close_silently(before, now_ms) if key in covered else _while_absent(before, now_ms)
        if after is None:
            continue
        after, why = _say(_remind(after, now_ms), now_ms, rules)
        if after != before:
            changed.append(after)
        if why is not None:
            notices.append(Notice(after, why))
    return AlertChanges(tuple(changed), tuple(notices))


def seen(alert: Alert, at_ms: int, by: str | None, note: str | None) -> Alert:
    """The alert after a person has seen it: it is not sent again unless it gets worse. One that has cleared only keeps
    the note.

    A message that was still to be sent counts as sent, because the person has read it on the page.
    """
    alert = replace(alert, seen_ms=at_ms, seen_by=by, note=note, owed=None)
    return alert if alert.state == "cleared" else replace(alert, state="seen", told=max(alert.told, 1))


def _while_present(alert: Alert | None, concern: Concern, now_ms: int) -> Alert:
    """The alert, opened or updated, while its concern exists."""
    if alert is None or not _may_reopen(alert, now_ms):
        return Alert(
            None, concern.key, concern.kind, concern.tank, concern.since_ms, "open", concern.what, concern.text,
            concern.urgent, concern.grade, now_ms, owed="opened",
        )  # fmt: skip
    worse = concern.grade > alert.grade or (concern.urgent and not alert.urgent)
    after = replace(
        alert, kind=concern.kind, tank=concern.tank, what=concern.what, text=concern.text,
        urgent=concern.urgent or alert.urgent, grade=max(concern.grade, alert.grade), gone_ms=None,
    )  # fmt: skip
    if alert.state == "cleared":
        after = replace(after, since_ms=concern.since_ms, cleared_ms=None, reopened=alert.reopened + 1)
        if alert.owed != "cleared":
            return replace(after, state="open", urgent=concern.urgent, grade=concern.grade, owed="reopened", told=0)
        # The message about its end was not sent yet, so for the person it has lasted all the time.
        looked = alert.seen_ms is not None and alert.seen_ms >= (alert.told_ms or 0)
        after = replace(after, state="seen" if looked else "open", owed=None)
    if not worse:
        return after
    return replace(after, state="open", owed="worse" if alert.told else alert.owed)


def _may_reopen(alert: Alert, now_ms: int) -> bool:
    if alert.state != "cleared" or alert.cleared_ms is None:
        return True
    return now_ms - alert.cleared_ms <= REOPENS_MS or alert.owed == "cleared"


def _while_absent(alert: Alert | None, now_ms: int) -> Alert | None:
    """The alert while its concern is gone: it clears once the settling time has passed."""
    if alert is None or alert.state == "cleared":
        return alert
    gone_ms = now_ms if alert.gone_ms is None else alert.gone_ms
    settles_ms = min(SETTLES_MS[alert.kind] * 2 ** min(alert.reopened, 10), DAY_MS)
    if now_ms - gone_ms < settles_ms:
        return replace(alert, gone_ms=gone_ms)
    # An alert that was never sent clears without a message.
    news = alert.told and alert.key.partition("/")[0] not in AGES
    return replace(alert, gone_ms=gone_ms, state="cleared", cleared_ms=now_ms, owed="cleared" if news else None)


def _close_silently(alert: Alert | None, now_ms: int) -> Alert | None:
    """The alert, cleared without a message, because another one includes it."""
    if alert is None or alert.state == "cleared":
        return alert
    return replace(alert, state="cleared", gone_ms=now_ms, cleared_ms=now_ms, owed=None)


def _remind(alert: Alert, now_ms: int) -> Alert:
    """The alert, with another message to be sent if nobody has seen it; not while its concern may be over already."""
    if alert.state != "open" or alert.owed is not None or alert.gone_ms is not None or alert.told_ms is None:
        return alert
    if not alert.urgent and alert.told > OTHERS_AGAIN:
        return alert
    early = URGENT_AGAIN_MS[alert.told - 1 : alert.told] if alert.urgent else ()
    return replace(alert, owed="unseen") if now_ms - alert.told_ms >= (*early, DAY_MS)[0] else alert


def _say(alert: Alert, now_ms: int, rules: Rules) -> tuple[Alert, Why | None]:
    """The alert after its message has been sent, and why it is sent; None during quiet hours or without a message."""
    why = alert.owed
    if why is None or rules.silenced(alert, now_ms):
        return alert, None
    told = alert.told + 1 if why == "unseen" else alert.told if why == "cleared" else 1
    return replace(alert, owed=None, told=told, told_ms=now_ms), why
