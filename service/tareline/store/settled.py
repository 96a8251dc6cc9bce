"""Closed periods in the store. They can be deleted at any time, because they follow from the ledger."""

import json
from collections.abc import Sequence

from sqlalchemy import Connection, delete, insert, select

from tareline.core.weighing.periods import ClosedPeriod, from_body, to_body
from tareline.store.tables import settled


def load(connection: Connection, feeder: str) -> list[ClosedPeriod]:
    """The closed periods of a feeder, oldest first; those of another model are left out, with all after them."""
    query = select(settled.c.position, settled.c.body).where(settled.c.feeder == feeder).order_by(settled.c.at_ms)
    found = []
    for position, body in connection.execute(query):
        try:
            found.append(ClosedPeriod(from_body(json.loads(body)), position))
        except (ValueError, KeyError):
            break
    return found


def replace(connection: Connection, feeder: str, closed: Sequence[ClosedPeriod]) -> None:
    """Keep these closed periods of a feeder, and no others."""
    connection.execute(delete(settled).where(settled.c.feeder == feeder))
    rows = [
        {"feeder": feeder, "at_ms": c.settled.at_ms, "position": c.position, "body": json.dumps(to_body(c.settled))}
        for c in closed
    ]
    if rows:
        connection.execute(insert(settled), rows)
