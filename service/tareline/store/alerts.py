"""Alerts and the outbox in the store: a message is on disk before anything tries to send it."""

import json
from collections.abc import Iterable, Sequence
from dataclasses import asdict, dataclass, fields
from typing import Any, Literal

from sqlalchemy import Connection, func, insert, or_, select, update

from tareline.core.alerts.alert import REOPENS_MS, Alert
from tareline.store.tables import alert, delivery, message

MessageKind = Literal["alert", "life", "morning"]

_COLUMNS = [alert.c[field.name] for field in fields(Alert)]


def load(connection: Connection, now_ms: int) -> dict[str, Alert]:
    """The newest alert of each key that may still change: not cleared, cleared within a day, or with a message still to
    be sent."""
    may_change = or_(alert.c.state != "cleared", alert.c.cleared_ms >= now_ms - REOPENS_MS, alert.c.owed.is_not(None))
    rows = connection.execute(select(*_COLUMNS).where(may_change).order_by(alert.c.id))
    return {found.key: found for found in (Alert(*row) for row in rows)}


def save(connection: Connection, one: Alert) -> int:
    """Write an alert down; returns its id."""
    row = asdict(one)
    key = row.pop("id")
    if key is not None:
        connection.execute(update(alert).where(alert.c.id == key).values(**row))
        return int(key)
    made = connection.execute(insert(alert).values(**row)).inserted_primary_key
    assert made is not None
    return int(made[0])


def get(connection: Connection, key: int) -> Alert | None:
    """One alert by its id."""
    row = connection.execute(select(*_COLUMNS).where(alert.c.id == key)).first()
    return None if row is None else Alert(*row)


def newest(connection: Connection, state: str | None, limit: int) -> list[Alert]:
    """The newest alerts, all or those in one state."""
    query = select(*_COLUMNS).order_by(alert.c.opened_ms.desc(), alert.c.id.desc()).limit(limit)
    if state is not None:
        query = query.where(alert.c.state == state)
    return [Alert(*row) for row in connection.execute(query)]


@dataclass(frozen=True, slots=True)
class Queued:
    """A message that waits to be sent. until_ms: when it is given up. alerts: the alerts that it tells of, as JSON
    values."""

    id: int
    tank: str | None
    queued_ms: int
    until_ms: int
    kind: str
    title: str
    text: str
    alerts: Sequence[dict[str, Any]]


def queue(
    connection: Connection,
    kind: MessageKind,
    tank: str | None,
    queued_ms: int,
    until_ms: int,
    title: str,
    text: str,
    alerts: Sequence[dict[str, Any]],
    targets: Iterable[str],
) -> int:
    """Put a message into the outbox for these targets; returns its id."""
    made = connection.execute(
        insert(message).values(
            kind=kind, tank=tank, queued_ms=queued_ms, until_ms=until_ms, title=title, text=text,
            alerts=json.dumps(alerts),
        )
    ).inserted_primary_key  # fmt: skip
    assert made is not None
    rows = [{"message": made[0], "target": target, "state": "waiting", "tries": 0} for target in targets]
    connection.execute(insert(delivery), rows)
    return int(made[0])


def queued(connection: Connection) -> list[tuple[Queued, str]]:
    """Every message in the outbox with each of its targets, in order."""
    query = select(message, delivery.c.target).join(delivery).order_by(message.c.id, delivery.c.target)
    return [(_queued(row), row.target) for row in connection.execute(query)]


def heads(connection: Connection, target: str) -> list[tuple[Queued, int]]:
    """For each tank the first message that waits for a target, with the id of the last one that waits."""
    first = (
        select(func.min(message.c.id).label("first"), func.max(message.c.id).label("last"))
        .select_from(delivery.join(message))
        .where(delivery.c.state == "waiting", delivery.c.target == target)
        .group_by(message.c.tank)
        .subquery()
    )
    query = select(message, first.c.last).join(first, message.c.id == first.c.first).order_by(message.c.id)
    return [(_queued(row), row.last) for row in connection.execute(query)]


def _queued(row: Any) -> Queued:
    return Queued(row.id, row.tank, row.queued_ms, row.until_ms, row.kind, row.title, row.text, json.loads(row.alerts))


def note_try(
    connection: Connection, queued: int, target: str, at_ms: int, state: Literal["waiting", "sent", "given up"],
    error: str | None,
) -> None:  # fmt: skip
    """Write down how a try to deliver ended."""
    connection.execute(
        update(delivery)
        .where(delivery.c.message == queued, delivery.c.target == target)
        .values(state=state, tries=delivery.c.tries + 1, tried_ms=at_ms, error=error)
    )


def note_undelivered(connection: Connection, alerts: Iterable[int], why: str) -> None:
    """Write into alerts that somebody was not told of them."""
    connection.execute(update(alert).where(alert.c.id.in_(list(alerts))).values(undelivered=why))


def waiting_targets(connection: Connection) -> list[str]:
    """The targets for which something waits."""
    query = select(delivery.c.target).where(delivery.c.state == "waiting").distinct().order_by(delivery.c.target)
    return list(connection.execute(query).scalars())


def last_tries(connection: Connection) -> dict[str, tuple[int, str, str | None]]:
    """For each target that was tried: the time of the last try, how it ended, and the reason of a failure."""
    tried_ms = func.max(delivery.c.tried_ms).label("tried_ms")
    newest_ms = select(delivery.c.target, tried_ms).group_by(delivery.c.target).subquery()
    query = select(delivery.c.target, delivery.c.tried_ms, delivery.c.state, delivery.c.error).join(
        newest_ms, (delivery.c.target == newest_ms.c.target) & (delivery.c.tried_ms == newest_ms.c.tried_ms)
    )
    return {row.target: (row.tried_ms, row.state, row.error) for row in connection.execute(query)}
