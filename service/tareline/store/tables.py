"""The tables. The ledger and the register are append-only: the database refuses to change or remove their rows."""

from sqlalchemy import (
    BigInteger,
    Boolean,
    Column,
    Float,
    ForeignKey,
    Index,
    Integer,
    LargeBinary,
    MetaData,
    String,
    Table,
    Text,
    UniqueConstraint,
)

metadata = MetaData()

# SQLite gives AUTOINCREMENT to INTEGER only; elsewhere ids are 64 bits wide.
Id = BigInteger().with_variant(Integer, "sqlite")

meta = Table("meta", metadata, Column("key", String, primary_key=True), Column("value", Text, nullable=False))

# What there is (tanks, foods, waters, kits, feeders, probes) and each tank's lines, as versions that hold from at_ms.
register = Table(
    "register",
    metadata,
    Column("id", Id, primary_key=True),
    Column("kind", String, nullable=False),
    Column("ref", String, nullable=False),
    Column("at_ms", BigInteger, nullable=False),
    Column("recorded_ms", BigInteger, nullable=False),
    Column("by", String),
    Column("body", Text, nullable=False),
    Index("register_of", "kind", "ref", "at_ms"),
    sqlite_autoincrement=True,
)

# A correction is a whole new entry that points at the first one it stands for; the latest of them is what is true now.
ledger = Table(
    "ledger",
    metadata,
    Column("id", Id, primary_key=True),
    Column("at_ms", BigInteger, nullable=False),
    Column("at_low_ms", BigInteger),
    Column("at_high_ms", BigInteger),
    Column("recorded_ms", BigInteger, nullable=False),
    Column("kind", String, nullable=False),
    Column("subject", String),
    Column("tank", String),
    Column("device", String),
    Column("journal", String),
    Column("seq", BigInteger),
    Column("by", String),
    Column("corrects", Id, ForeignKey("ledger.id")),
    Column("void", Boolean, nullable=False, default=False),
    Column("body", Text, nullable=False),
    # A dose is identified by these three for ever; entries of other kinds leave journal and seq empty.
    UniqueConstraint("device", "journal", "seq", name="dose_once"),
    Index("ledger_of_device", "device", "kind", "at_ms"),
    sqlite_autoincrement=True,
)

# Partial, so that doses, which have none of these, do not pay for them.
for _name, _key, _columns in (
    ("ledger_of_tank", ledger.c.tank, (ledger.c.tank, ledger.c.kind, ledger.c.at_ms)),
    ("ledger_of_subject", ledger.c.subject, (ledger.c.tank, ledger.c.kind, ledger.c.subject, ledger.c.at_ms)),
    ("ledger_corrects", ledger.c.corrects, (ledger.c.corrects,)),
):
    _present = _key.is_not(None)
    Index(_name, *_columns, sqlite_where=_present, postgresql_where=_present)

# The first answer to each client reference, so that a repeated request gets the same answer and changes nothing.
answered = Table(
    "answered",
    metadata,
    Column("client_ref", String, primary_key=True),
    Column("recorded_ms", BigInteger, nullable=False),
    Column("body", Text, nullable=False),
    Column("digest", String),  # of the call and what it said; NULL in rows of before it was kept
)

reject = Table(
    "reject",
    metadata,
    Column("id", Id, primary_key=True),
    Column("first_ms", BigInteger, nullable=False),
    Column("last_ms", BigInteger, nullable=False),
    Column("count", Integer, nullable=False),
    Column("device", String),
    Column("topic", Text, nullable=False),
    Column("reason", Text, nullable=False),
    Column("digest", String, nullable=False),
    Column("size", Integer, nullable=False),
    Column("payload", LargeBinary, nullable=False),
    UniqueConstraint("topic", "digest", name="reject_once"),
    Index("reject_newest", "last_ms"),
    sqlite_autoincrement=True,
)

# What each device last said of itself.
device = Table(
    "device",
    metadata,
    Column("device", String, primary_key=True),
    Column("online", Boolean),
    Column("status_ms", BigInteger),
    Column("seen_ms", BigInteger),
    Column("silence_noted", Boolean, nullable=False, default=False),
    Column("hello", Text),
    Column("board", String),
    Column("former_boards", Text, nullable=False, default="[]"),
    Column("applied", Text),
)

journal = Table(
    "journal",
    metadata,
    Column("device", String, primary_key=True),
    Column("journal", String, primary_key=True),
    Column("received", BigInteger, nullable=False),
)

# The best estimate of when a boot began: an upper bound, or exact where the board had a clock later in that boot.
boot = Table(
    "boot",
    metadata,
    Column("device", String, primary_key=True),
    Column("boot", String, primary_key=True),
    Column("began_ms", BigInteger, nullable=False),
    Column("exact", Boolean, nullable=False),
)

# The retained messages a device must have, as last issued: sent again at every connect.
down = Table(
    "down",
    metadata,
    Column("device", String, primary_key=True),
    Column("topic", String, primary_key=True),
    Column("version", BigInteger, nullable=False),
    Column("issued_ms", BigInteger, nullable=False),
    Column("body", Text, nullable=False),
)

series = Table(
    "series",
    metadata,
    Column("id", Integer, primary_key=True),
    Column("device", String, nullable=False),
    Column("metric", String, nullable=False),
    Column("unit", String, nullable=False),
    UniqueConstraint("device", "metric", name="series_once"),
)

# Values as whole billionths of the unit: integers are half the size of floats here and add up exactly.
sample = Table(
    "sample",
    metadata,
    Column("series", Integer, ForeignKey("series.id"), primary_key=True),
    Column("at_ms", BigInteger, primary_key=True),
    Column("value", BigInteger, nullable=False),
    sqlite_with_rowid=False,
)

hour = Table(
    "hour",
    metadata,
    Column("series", Integer, ForeignKey("series.id"), primary_key=True),
    Column("hour_ms", BigInteger, primary_key=True),
    Column("n", Integer, nullable=False),
    Column("mean", Float, nullable=False),
    Column("low", BigInteger, nullable=False),
    Column("high", BigInteger, nullable=False),
    sqlite_with_rowid=False,
)

APPEND_ONLY = (ledger, register)

# The state at the end of each closed period of a feeder, stored only so that it need not be calculated again:
# the ledger's position up to which entries are in it, and the state as JSON.
settled = Table(
    "settled",
    metadata,
    Column("feeder", String, primary_key=True),
    Column("at_ms", BigInteger, primary_key=True),
    Column("position", BigInteger, nullable=False),
    Column("body", Text, nullable=False),
)

# The history of each concern: what people were told of it, and what is still to be sent. Rows change as it continues.
alert = Table(
    "alert",
    metadata,
    Column("id", Id, primary_key=True),
    Column("key", String, nullable=False),
    Column("kind", String, nullable=False),
    Column("tank", String),
    Column("since_ms", BigInteger, nullable=False),
    Column("state", String, nullable=False),
    Column("what", Text, nullable=False),
    Column("text", Text, nullable=False),
    Column("urgent", Boolean, nullable=False),
    Column("grade", Integer, nullable=False),
    Column("opened_ms", BigInteger, nullable=False),
    Column("owed", String),
    Column("told", Integer, nullable=False),
    Column("told_ms", BigInteger),
    Column("gone_ms", BigInteger),
    Column("reopened", Integer, nullable=False),
    Column("seen_ms", BigInteger),
    Column("seen_by", String),
    Column("note", Text),
    Column("cleared_ms", BigInteger),
    Column("undelivered", Text),
    Index("alert_of_state", "state", "cleared_ms"),
    sqlite_autoincrement=True,
)

# Messages to people as they were decided; a row of `delivery` for each address of one. An address may hold a
# password, so only its public name is here.
message = Table(
    "message",
    metadata,
    Column("id", Id, primary_key=True),
    Column("tank", String),
    Column("queued_ms", BigInteger, nullable=False),
    Column("until_ms", BigInteger, nullable=False),
    Column("kind", String, nullable=False),
    Column("title", Text, nullable=False),
    Column("text", Text, nullable=False),
    Column("alerts", Text, nullable=False),
    sqlite_autoincrement=True,
)

delivery = Table(
    "delivery",
    metadata,
    Column("message", Id, ForeignKey("message.id"), primary_key=True),
    Column("target", String, primary_key=True),
    Column("state", String, nullable=False),
    Column("tries", Integer, nullable=False),
    Column("tried_ms", BigInteger),
    Column("error", Text),
)
_waiting = delivery.c.state == "waiting"
Index("delivery_waiting", delivery.c.target, delivery.c.message, sqlite_where=_waiting, postgresql_where=_waiting)
