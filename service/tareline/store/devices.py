"""What devices last said of themselves, what they must be told, and messages that were not understood."""

import hashlib
import json
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

from sqlalchemy import Connection, insert, select, update

from tareline.store import dialect
from tareline.store.tables import boot, device, down, journal, reject

KEPT_BYTES = 256 * 1024  # of a rejected payload; its size and digest are kept whatever its length


@dataclass(frozen=True, slots=True)
class Device:
    """What is known of a device; None where it has not said."""

    device: str
    online: bool | None = None
    status_ms: int | None = None
    seen_ms: int | None = None
    silence_noted: bool = False
    hello: dict[str, Any] | None = None
    board: str | None = None
    former_boards: tuple[str, ...] = ()
    applied: dict[str, Any] | None = None

    def confirms(self, topic: str, version: int) -> bool:
        """Whether this boot of the device has said that a plan or hold of at least this version is in force."""
        return self.confirmed_version(topic) >= version

    def confirmed_version(self, topic: str) -> int:
        """The newest plan or hold of which this boot of the device has said that it is in force; -1 for none."""
        if self.applied is None or self.hello is None or self.applied.get("boot") != self.hello.get("boot"):
            return -1
        return int(self.applied.get(f"{topic}_version") or 0)


def load(connection: Connection) -> dict[str, Device]:
    """All devices by name."""
    return {
        row.device: Device(
            device=row.device,
            online=row.online,
            status_ms=row.status_ms,
            seen_ms=row.seen_ms,
            silence_noted=row.silence_noted,
            hello=json.loads(row.hello) if row.hello else None,
            board=row.board,
            former_boards=tuple(json.loads(row.former_boards)),
            applied=json.loads(row.applied) if row.applied else None,
        )
        for row in connection.execute(select(device))
    }


def save(connection: Connection, known: Device) -> None:
    """Write down what is known of a device."""
    row = {
        "device": known.device,
        "online": known.online,
        "status_ms": known.status_ms,
        "seen_ms": known.seen_ms,
        "silence_noted": known.silence_noted,
        "hello": None if known.hello is None else json.dumps(known.hello),
        "board": known.board,
        "former_boards": json.dumps(known.former_boards),
        "applied": None if known.applied is None else json.dumps(known.applied),
    }
    dialect.upsert(connection, device, [row])


def load_journals(connection: Connection) -> dict[tuple[str, str], int]:
    """(device, journal) -> the sequence number up to which every dose is on disk or given up."""
    return {(row.device, row.journal): row.received for row in connection.execute(select(journal))}


def save_journals(connection: Connection, received: dict[tuple[str, str], int]) -> None:
    """Write down how far journals have been received."""
    rows = [{"device": d, "journal": j, "received": seq} for (d, j), seq in received.items()]
    dialect.upsert(connection, journal, rows)


def load_boots(connection: Connection) -> dict[tuple[str, str], tuple[int, bool]]:
    """(device, boot) -> (when it began at the latest, whether that is exact)."""
    return {(row.device, row.boot): (row.began_ms, row.exact) for row in connection.execute(select(boot))}


def save_boots(connection: Connection, boots: dict[tuple[str, str], tuple[int, bool]]) -> None:
    """Write down when boots began."""
    rows = [{"device": d, "boot": b, "began_ms": ms, "exact": exact} for (d, b), (ms, exact) in boots.items()]
    dialect.upsert(connection, boot, rows)


@dataclass(frozen=True, slots=True)
class Issued:
    """A retained message as it was last issued to a device."""

    device: str
    topic: str
    version: int
    issued_ms: int
    body: dict[str, Any]


def issued(connection: Connection) -> dict[tuple[str, str], Issued]:
    """All retained messages by (device, topic)."""
    return {
        (row.device, row.topic): Issued(row.device, row.topic, row.version, row.issued_ms, json.loads(row.body))
        for row in connection.execute(select(down))
    }


def issue(connection: Connection, message: Issued) -> None:
    """Keep a retained message in place of the one before."""
    row = {
        "device": message.device,
        "topic": message.topic,
        "version": message.version,
        "issued_ms": message.issued_ms,
        "body": json.dumps(message.body),
    }
    dialect.upsert(connection, down, [row])


def add_reject(connection: Connection, name: str | None, topic: str, payload: bytes, reason: str, at_ms: int) -> int:
    """Store a message that was not understood; where it came before, only count it. Returns its id."""
    digest = hashlib.sha256(payload).hexdigest()
    same = (reject.c.topic == topic, reject.c.digest == digest)
    found = connection.execute(select(reject.c.id).where(*same)).scalar()
    if found is not None:
        connection.execute(update(reject).where(*same).values(count=reject.c.count + 1, last_ms=at_ms, reason=reason))
        return int(found)
    result = connection.execute(
        insert(reject).values(
            first_ms=at_ms,
            last_ms=at_ms,
            count=1,
            device=name,
            topic=topic,
            reason=reason,
            digest=digest,
            size=len(payload),
            payload=payload[:KEPT_BYTES],
        )
    )
    assert result.inserted_primary_key is not None
    return int(result.inserted_primary_key[0])


def rejects(connection: Connection, limit: int) -> Sequence[Any]:
    """The newest messages that were not understood."""
    return connection.execute(select(reject).order_by(reject.c.last_ms.desc(), reject.c.id.desc()).limit(limit)).all()


def rejects_of(connection: Connection, name: str, since_ms: int) -> Sequence[Any]:
    """What a device has sent since an instant that was not understood, newest first."""
    found = select(reject).where(reject.c.device == name, reject.c.last_ms >= since_ms)
    return connection.execute(found.order_by(reject.c.last_ms.desc(), reject.c.id.desc())).all()


def rejected_payloads(connection: Connection, topic: str) -> list[bytes]:
    """What was not understood on a topic."""
    return [row.payload for row in connection.execute(select(reject.c.payload).where(reject.c.topic == topic))]
