"""The first tables: register, ledger, rejects, what devices said and must be told, series."""

import sqlalchemy as sa
from alembic import op

from tareline.store.dialect import protect

revision = "0001"
down_revision = None

_ID = sa.BigInteger().with_variant(sa.Integer, "sqlite")


def upgrade() -> None:
    op.create_table("meta", sa.Column("key", sa.String, primary_key=True), sa.Column("value", sa.Text, nullable=False))
    op.create_table(
        "register",
        sa.Column("id", _ID, primary_key=True),
        sa.Column("kind", sa.String, nullable=False),
        sa.Column("ref", sa.String, nullable=False),
        sa.Column("at_ms", sa.BigInteger, nullable=False),
        sa.Column("recorded_ms", sa.BigInteger, nullable=False),
        sa.Column("by", sa.String),
        sa.Column("body", sa.Text, nullable=False),
        sqlite_autoincrement=True,
    )
    op.create_index("register_of", "register", ["kind", "ref", "at_ms"])
    op.create_table(
        "ledger",
        sa.Column("id", _ID, primary_key=True),
        sa.Column("at_ms", sa.BigInteger, nullable=False),
        sa.Column("at_low_ms", sa.BigInteger),
        sa.Column("at_high_ms", sa.BigInteger),
        sa.Column("recorded_ms", sa.BigInteger, nullable=False),
        sa.Column("kind", sa.String, nullable=False),
        sa.Column("subject", sa.String),
        sa.Column("tank", sa.String),
        sa.Column("device", sa.String),
        sa.Column("journal", sa.String),
        sa.Column("seq", sa.BigInteger),
        sa.Column("by", sa.String),
        sa.Column("corrects", _ID, sa.ForeignKey("ledger.id")),
        sa.Column("void", sa.Boolean, nullable=False),
        sa.Column("body", sa.Text, nullable=False),
        sa.UniqueConstraint("device", "journal", "seq", name="dose_once"),
        sqlite_autoincrement=True,
    )
    op.create_index("ledger_of_device", "ledger", ["device", "kind", "at_ms"])
    for name, key, columns in (
        ("ledger_of_tank", "tank", ["tank", "kind", "at_ms"]),
        ("ledger_of_subject", "subject", ["tank", "kind", "subject", "at_ms"]),
        ("ledger_corrects", "corrects", ["corrects"]),
    ):
        present = sa.column(key).is_not(None)
        op.create_index(name, "ledger", columns, sqlite_where=present, postgresql_where=present)
    op.create_table(
        "answered",
        sa.Column("client_ref", sa.String, primary_key=True),
        sa.Column("recorded_ms", sa.BigInteger, nullable=False),
        sa.Column("body", sa.Text, nullable=False),
    )
    op.create_table(
        "reject",
        sa.Column("id", _ID, primary_key=True),
        sa.Column("first_ms", sa.BigInteger, nullable=False),
        sa.Column("last_ms", sa.BigInteger, nullable=False),
        sa.Column("count", sa.Integer, nullable=False),
        sa.Column("device", sa.String),
        sa.Column("topic", sa.Text, nullable=False),
        sa.Column("reason", sa.Text, nullable=False),
        sa.Column("digest", sa.String, nullable=False),
        sa.Column("size", sa.Integer, nullable=False),
        sa.Column("payload", sa.LargeBinary, nullable=False),
        sa.UniqueConstraint("topic", "digest", name="reject_once"),
        sqlite_autoincrement=True,
    )
    op.create_index("reject_newest", "reject", ["last_ms"])
    op.create_table(
        "device",
        sa.Column("device", sa.String, primary_key=True),
        sa.Column("online", sa.Boolean),
        sa.Column("status_ms", sa.BigInteger),
        sa.Column("seen_ms", sa.BigInteger),
        sa.Column("silence_noted", sa.Boolean, nullable=False),
        sa.Column("hello", sa.Text),
        sa.Column("board", sa.String),
        sa.Column("former_boards", sa.Text, nullable=False),
        sa.Column("applied", sa.Text),
    )
    op.create_table(
        "journal",
        sa.Column("device", sa.String, primary_key=True),
        sa.Column("journal", sa.String, primary_key=True),
        sa.Column("received", sa.BigInteger, nullable=False),
    )
    op.create_table(
        "boot",
        sa.Column("device", sa.String, primary_key=True),
        sa.Column("boot", sa.String, primary_key=True),
        sa.Column("began_ms", sa.BigInteger, nullable=False),
        sa.Column("exact", sa.Boolean, nullable=False),
    )
    op.create_table(
        "down",
        sa.Column("device", sa.String, primary_key=True),
        sa.Column("topic", sa.String, primary_key=True),
        sa.Column("version", sa.BigInteger, nullable=False),
        sa.Column("issued_ms", sa.BigInteger, nullable=False),
        sa.Column("body", sa.Text, nullable=False),
    )
    op.create_table(
        "series",
        sa.Column("id", sa.Integer, primary_key=True),
        sa.Column("device", sa.String, nullable=False),
        sa.Column("metric", sa.String, nullable=False),
        sa.Column("unit", sa.String, nullable=False),
        sa.UniqueConstraint("device", "metric", name="series_once"),
    )
    op.create_table(
        "sample",
        sa.Column("series", sa.Integer, sa.ForeignKey("series.id"), primary_key=True),
        sa.Column("at_ms", sa.BigInteger, primary_key=True),
        sa.Column("value", sa.BigInteger, nullable=False),
        sqlite_with_rowid=False,
    )
    op.create_table(
        "hour",
        sa.Column("series", sa.Integer, sa.ForeignKey("series.id"), primary_key=True),
        sa.Column("hour_ms", sa.BigInteger, primary_key=True),
        sa.Column("n", sa.Integer, nullable=False),
        sa.Column("mean", sa.Float, nullable=False),
        sa.Column("low", sa.BigInteger, nullable=False),
        sa.Column("high", sa.BigInteger, nullable=False),
        sqlite_with_rowid=False,
    )
    for table in ("ledger", "register"):
        for statement in protect(table):
            op.execute(statement)
