"""The ledger: appending entries, and reading what is true of them now.

A row is never changed. A correction is a whole new entry of the same kind whose `corrects` names the first entry it
stands for; the newest of these holds, unless it is void. What a device did carries the device; which tank that was for
follows from where the device was at that time, so that a move told late moves the past with it.
"""

import json
from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass
from functools import cache
from typing import Any

from sqlalchemy import (
    CompoundSelect,
    Connection,
    Select,
    and_,
    bindparam,
    func,
    insert,
    literal_column,
    or_,
    select,
    union_all,
)

from tareline.store.tables import ledger

Stay = tuple[str, int, int | None]


@dataclass(frozen=True, slots=True)
class Entry:
    """One row of the ledger; raw is its body as it was written: for what a device sent, the message itself."""

    id: int
    at_ms: int
    at_low_ms: int | None
    at_high_ms: int | None
    recorded_ms: int
    kind: str
    subject: str | None
    tank: str | None
    device: str | None
    by: str | None
    corrects: int | None
    void: bool
    raw: str

    @property
    def body(self) -> dict[str, Any]:
        parsed: dict[str, Any] = json.loads(self.raw)
        return parsed

    @property
    def root(self) -> int:
        """The first entry of its chain of corrections."""
        return self.id if self.corrects is None else self.corrects


_COLUMNS = (
    ledger.c.id,
    ledger.c.at_ms,
    ledger.c.at_low_ms,
    ledger.c.at_high_ms,
    ledger.c.recorded_ms,
    ledger.c.kind,
    ledger.c.subject,
    ledger.c.tank,
    ledger.c.device,
    ledger.c.by,
    ledger.c.corrects,
    ledger.c.void,
    ledger.c.body,
)


def _entry(row: Any) -> Entry:
    return Entry(*row)


def add(
    connection: Connection,
    kind: str,
    at_ms: int,
    recorded_ms: int,
    body: dict[str, Any] | str,
    tank: str | None = None,
    device: str | None = None,
    subject: str | None = None,
    by: str | None = None,
    corrects: int | None = None,
    void: bool = False,
    at_low_ms: int | None = None,
    at_high_ms: int | None = None,
) -> int:
    """Append an entry; returns its id."""
    result = connection.execute(
        insert(ledger).values(
            kind=kind,
            subject=subject,
            at_ms=at_ms,
            at_low_ms=at_low_ms,
            at_high_ms=at_high_ms,
            recorded_ms=recorded_ms,
            tank=tank,
            device=device,
            by=by,
            corrects=corrects,
            void=void,
            body=body if isinstance(body, str) else json.dumps(body),
        )
    )
    key = result.inserted_primary_key
    assert key is not None
    return int(key[0])


def correct(connection: Connection, entry: Entry, recorded_ms: int, **changes: Any) -> int:
    """Append a correction of an entry: all as it was but for the named columns."""
    values: dict[str, Any] = {
        "kind": entry.kind,
        "at_ms": entry.at_ms,
        "at_low_ms": entry.at_low_ms,
        "at_high_ms": entry.at_high_ms,
        "body": entry.raw,
        "subject": entry.subject,
        "tank": entry.tank,
        "device": entry.device,
        "by": entry.by,
        "void": entry.void,
    }
    return add(connection, recorded_ms=recorded_ms, corrects=entry.root, **{**values, **changes})


EVER_MS = 2**62
RANGES = 100  # in one statement: the engine limits its length

_later = ledger.alias("later")
# True of a row that no later correction has replaced and that is not void. Statements are built once: building them
# costs more than running them.
_STANDS = and_(
    ~ledger.c.void,
    ~(
        select(_later.c.id)
        .where(_later.c.corrects == func.coalesce(ledger.c.corrects, ledger.c.id), _later.c.id > ledger.c.id)
        .exists()
    ),
)
_TANK = ledger.c.tank == bindparam("tank")
_DEVICE = ledger.c.device == bindparam("device")
_KINDS = ledger.c.kind.in_(bindparam("kinds", expanding=True))
_WINDOW = and_(ledger.c.at_ms >= bindparam("low"), ledger.c.at_ms < bindparam("high"))
_AFTER = or_(
    ledger.c.at_ms > bindparam("after_ms"),
    and_(ledger.c.at_ms == bindparam("after_ms"), ledger.c.id > bindparam("after_id")),
)
_IN_ORDER = (ledger.c.at_ms, ledger.c.id)

_PAGE_OF_TANK = select(*_COLUMNS).where(_TANK, _WINDOW, _AFTER).order_by(*_IN_ORDER).limit(bindparam("most"))
_PAGE_OF_DEVICE = (
    select(*_COLUMNS)
    .where(_DEVICE, ledger.c.tank.is_(None), _WINDOW, _AFTER)
    .order_by(*_IN_ORDER)
    .limit(bindparam("most"))
)
_NEIGHBOUR = (
    select(ledger.c.seq, ledger.c.at_low_ms, ledger.c.at_high_ms, ledger.c.at_ms)
    .where(_DEVICE, ledger.c.journal == bindparam("journal"), ledger.c.seq < bindparam("seq"))
    .order_by(ledger.c.seq.desc())
    .limit(1)
)
_NEWEST = (
    select(*_COLUMNS)
    .where(ledger.c.kind == bindparam("kind"), ledger.c.at_ms < bindparam("before"), _STANDS)
    .order_by(ledger.c.at_ms.desc(), ledger.c.id.desc())
    .limit(bindparam("most"))
)
_NEWEST_OF_TANK = _NEWEST.where(_TANK)
_NEWEST_OF_DEVICE = _NEWEST.where(_DEVICE)
_NEWEST_ABOUT = _NEWEST.where(_TANK, ledger.c.subject == bindparam("subject"))


def _ranges(
    tank: str, stays: Iterable[Stay], start_ms: int | None, end_ms: int | None
) -> Iterator[tuple[bool, dict[str, Any]]]:
    """The indexed ranges that make up a tank's ledger: its own entries, and those of each device while it was there.

    Yields for each range whether it is a device's, and its parameters. Where tank is "" only those of the devices.
    """
    low = -EVER_MS if start_ms is None else start_ms
    high = EVER_MS if end_ms is None else end_ms
    if tank:
        yield False, {"tank": tank, "low": low, "high": high}
    for device, since_ms, until_ms in stays:
        until = high if until_ms is None else min(high, until_ms)
        if max(low, since_ms) < until:
            yield True, {"device": device, "low": max(low, since_ms), "high": until}


def standing(
    connection: Connection,
    tank: str,
    stays: Iterable[Stay],
    kinds: Sequence[str],
    start_ms: int | None = None,
    end_ms: int | None = None,
) -> list[Entry]:
    """The standing entries of a tank in [start, end), by time: those that no later entry has replaced or voided."""
    found: list[Entry] = []
    ranges = list(_ranges(tank, stays, start_ms, end_ms))
    for i in range(0, len(ranges), RANGES):
        some = ranges[i : i + RANGES]
        named = {f"{name}_{k}": value for k, (_, values) in enumerate(some) for name, value in values.items()}
        query = _standing(tuple(of_device for of_device, _ in some))
        found.extend(_entry(row) for row in connection.execute(query, {**named, "kinds": kinds}))
    return sorted(found, key=lambda e: (e.at_ms, e.id))


@cache
def _standing(ranges: tuple[bool, ...]) -> Select[Any] | CompoundSelect[Any]:
    """One statement for some ranges, each of a device or of a tank."""
    parts = []
    for k, of_device in enumerate(ranges):
        window = and_(ledger.c.at_ms >= bindparam(f"low_{k}"), ledger.c.at_ms < bindparam(f"high_{k}"))
        owner = ledger.c.device == bindparam(f"device_{k}") if of_device else ledger.c.tank == bindparam(f"tank_{k}")
        own = select(*_COLUMNS).where(owner, _KINDS, window, _STANDS)
        parts.append(own.where(ledger.c.tank.is_(None)) if of_device else own)
    return parts[0] if len(parts) == 1 else union_all(*parts)


def newest(
    connection: Connection,
    kind: str,
    tank: str | None = None,
    device: str | None = None,
    subject: str | None = None,
    before_ms: int | None = None,
    limit: int = 1,
) -> list[Entry]:
    """The newest standing entries of a kind, of a device, or of a tank (and there of a subject), newest first."""
    before = EVER_MS if before_ms is None else before_ms
    values = {"kind": kind, "tank": tank, "device": device, "subject": subject, "before": before, "most": limit}
    query = _NEWEST_OF_DEVICE if tank is None else _NEWEST_OF_TANK if subject is None else _NEWEST_ABOUT
    return [_entry(row) for row in connection.execute(query, values)]


@dataclass(frozen=True, slots=True)
class Asked:
    """The newest standing entries of a kind before an instant, of a tank (and there of a subject) or of a device."""

    kind: str
    tank: str | None = None
    device: str | None = None
    subject: str | None = None
    before_ms: int = EVER_MS
    limit: int = 1


def newest_of(connection: Connection, asked: Sequence[Asked]) -> dict[Asked, list[Entry]]:
    """The newest standing entries of several kinds and owners in one statement, each newest first.

    No two may ask for the same kind of the same owner and subject.
    """
    found: dict[Asked, list[Entry]] = {one: [] for one in asked}
    for i in range(0, len(asked), RANGES):
        some = asked[i : i + RANGES]
        values: dict[str, Any] = {}
        for k, one in enumerate(some):
            values |= {f"kind_{k}": one.kind, f"before_{k}": one.before_ms, f"most_{k}": one.limit}
            values |= {f"tank_{k}": one.tank} if one.device is None else {f"device_{k}": one.device}
            values |= {} if one.subject is None else {f"subject_{k}": one.subject}
        query = _newest_of(tuple((one.device is not None, one.subject is not None) for one in some))
        for row in connection.execute(query, values):
            found[some[row[0]]].append(_entry(row[1:]))
    return {one: sorted(own, key=lambda e: (e.at_ms, e.id), reverse=True) for one, own in found.items()}


@cache
def _newest_of(parts: tuple[tuple[bool, bool], ...]) -> CompoundSelect[Any]:
    """One statement for some newest entries: each of a device or of a tank, and about a subject or not."""
    queries = []
    for k, (of_device, about) in enumerate(parts):
        owner = ledger.c.device == bindparam(f"device_{k}") if of_device else ledger.c.tank == bindparam(f"tank_{k}")
        own = select(literal_column(str(k)).label("part"), *_COLUMNS).where(
            ledger.c.kind == bindparam(f"kind_{k}"), ledger.c.at_ms < bindparam(f"before_{k}"), owner, _STANDS
        )
        if about:
            own = own.where(ledger.c.subject == bindparam(f"subject_{k}"))
        own = own.order_by(ledger.c.at_ms.desc(), ledger.c.id.desc()).limit(bindparam(f"most_{k}"))
        queries.append(select(own.subquery()))
    return union_all(*queries)


def page(
    connection: Connection,
    tank: str,
    stays: Iterable[Stay],
    kind: str | None,
    start_ms: int | None,
    end_ms: int | None,
    after: tuple[int, int] | None,
    limit: int,
) -> list[Entry]:
    """Every entry of a tank as it was written, corrected or not, in order of time; `after` is the last one seen."""
    rows: list[Entry] = []
    after_ms, after_id = after if after is not None else (-EVER_MS, 0)
    for of_device, values in _ranges(tank, stays, start_ms, end_ms):
        query = _PAGE_OF_DEVICE if of_device else _PAGE_OF_TANK
        if kind is not None:
            query = query.where(ledger.c.kind == kind)
        values |= {"after_ms": after_ms, "after_id": after_id, "most": limit}
        rows.extend(_entry(row) for row in connection.execute(query, values))
    return sorted(rows, key=lambda e: (e.at_ms, e.id))[:limit]


_FIRST_DOSES = (
    select(*_COLUMNS)
    .where(_DEVICE, ledger.c.kind == "dose", ledger.c.corrects.is_(None))
    .order_by(ledger.c.at_ms, ledger.c.id)
    .limit(50)
)


def first_doses(connection: Connection, device: str) -> list[Entry]:
    """A feeder's first fifty doses, as they came."""
    return [_entry(row) for row in connection.execute(_FIRST_DOSES, {"device": device})]


_first = ledger.alias("first")
_MOVED = (
    select(ledger.c.id, ledger.c.device, ledger.c.kind, ledger.c.at_ms, func.coalesce(_first.c.at_ms, ledger.c.at_ms))
    .join_from(ledger, _first, _first.c.id == ledger.c.corrects, isouter=True)
    .where(ledger.c.id > bindparam("after"), ledger.c.device.is_not(None), _KINDS)
    .order_by(ledger.c.id)
)


def moved(connection: Connection, after: int, kinds: Sequence[str]) -> list[tuple[int, str, str, int]]:
    """(id, device, kind, earliest instant it speaks about) of every row behind a position; of a correction also the
    instant of the entry that it corrects."""
    rows = connection.execute(_MOVED, {"after": after, "kinds": kinds})
    return [(entry, device, kind, min(at_ms, first_ms)) for entry, device, kind, at_ms, first_ms in rows]


def position(connection: Connection) -> int:
    """The id of the newest row; 0 for an empty ledger."""
    return int(connection.execute(select(func.coalesce(func.max(ledger.c.id), 0))).scalar_one())


_NEWEST_ID = select(func.coalesce(func.max(ledger.c.id), 0)).where(_TANK, _KINDS)


def newest_id(connection: Connection, tank: str, kinds: Sequence[str]) -> int:
    """The id of the newest row of some kinds of a tank, corrections included; 0 where there is none."""
    return int(connection.execute(_NEWEST_ID, {"tank": tank, "kinds": kinds}).scalar_one())


_NEWEST_ID_OF_DEVICE = select(func.coalesce(func.max(ledger.c.id), 0)).where(
    _DEVICE, _KINDS, ledger.c.at_ms < bindparam("before")
)


def newest_id_of_device(connection: Connection, device: str, kinds: Sequence[str], before_ms: int | None = None) -> int:
    """The id of the newest row of some kinds of a device about what was before an instant; 0 where there is none."""
    values = {"device": device, "kinds": kinds, "before": EVER_MS if before_ms is None else before_ms}
    return int(connection.execute(_NEWEST_ID_OF_DEVICE, values).scalar_one())


def get(connection: Connection, entry: int) -> Entry | None:
    """One row by its id."""
    row = connection.execute(select(*_COLUMNS).where(ledger.c.id == entry)).first()
    return None if row is None else _entry(row)


def entries(connection: Connection, ids: Sequence[int]) -> list[Entry]:
    """Some rows by their ids, in the order of these; an id without a row is left out."""
    rows = connection.execute(_BY_ID, {"ids": ids}) if ids else ()
    found = {row[0]: _entry(row) for row in rows}
    return [found[one] for one in ids if one in found]


_BY_ID = select(*_COLUMNS).where(ledger.c.id.in_(bindparam("ids", expanding=True)))


def corrections_of(connection: Connection, roots: Sequence[int]) -> dict[int, list[Entry]]:
    """The corrections of some first entries, oldest first."""
    found: dict[int, list[Entry]] = {}
    for i in range(0, len(roots), 500):
        query = select(*_COLUMNS).where(ledger.c.corrects.in_(roots[i : i + 500])).order_by(ledger.c.id)
        for row in connection.execute(query):
            entry = _entry(row)
            found.setdefault(entry.root, []).append(entry)
    return found


def add_doses(connection: Connection, rows: Sequence[dict[str, Any]]) -> None:
    """Append many doses at once: each with at_ms, at_low_ms, at_high_ms, recorded_ms, device, journal, seq, body."""
    connection.execute(insert(ledger), rows)


def doses_by_seq(connection: Connection, device: str, journal: str, seqs: Sequence[int]) -> dict[int, Entry]:
    """The standing entries of some doses of a journal, by sequence number."""
    firsts: dict[int, int] = {}
    for i in range(0, len(seqs), 500):
        query = select(ledger.c.id, ledger.c.seq).where(
            ledger.c.device == device, ledger.c.journal == journal, ledger.c.seq.in_(seqs[i : i + 500])
        )
        firsts.update({row.id: row.seq for row in connection.execute(query)})
    chains = corrections_of(connection, list(firsts))
    found = {}
    for first, seq in firsts.items():
        entry = chains[first][-1] if first in chains else get(connection, first)
        assert entry is not None
        found[seq] = entry
    return found


def seqs_above(connection: Connection, device: str, journal: str, seq: int) -> set[int]:
    """The sequence numbers on disk above one."""
    query = select(ledger.c.seq).where(ledger.c.device == device, ledger.c.journal == journal, ledger.c.seq > seq)
    return {row.seq for row in connection.execute(query)}


def neighbour(connection: Connection, device: str, journal: str, seq: int) -> tuple[int, int | None] | None:
    """The nearest dose with a lower number, and its earliest instant: a dose with a higher number cannot be older."""
    row = connection.execute(_NEIGHBOUR, {"device": device, "journal": journal, "seq": seq}).first()
    return None if row is None else (row.seq, row.at_ms if row.at_high_ms is None else row.at_low_ms)


def placed_by_boot(connection: Connection, device: str, boot: str) -> list[Entry]:
    """The standing entries of a boot whose time was calculated from its uptime."""
    query = select(*_COLUMNS).where(
        ledger.c.device == device,
        ledger.c.at_high_ms.is_not(None),
        _STANDS,
        # the body is searched as text first: a boot's name is random, and few entries have an interval at all
        ledger.c.body.contains(boot, autoescape=True),
    )
    found = [_entry(row) for row in connection.execute(query)]
    return [entry for entry in found if entry.body.get("boot") == boot]
