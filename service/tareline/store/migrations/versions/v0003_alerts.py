"""Alerts, and messages on their way to people."""

import sqlalchemy as sa
from alembic import op

revision = "0003"
down_revision = "0002"

_ID = sa.BigInteger().with_variant(sa.Integer, "sqlite")


def upgrade() -> None:
    op.create_table(
        "alert",
        sa.Column("id", _ID, primary_key=True),
        sa.Column("key", sa.String, nullable=False),
        sa.Column("kind", sa.String, nullable=False),
        sa.Column("tank", sa.String),
        sa.Column("since_ms", sa.BigInteger, nullable=False),
        sa.Column("state", sa.String, nullable=False),
        sa.Column("what", sa.Text, nullable=False),
        sa.Column("text", sa.Text, nullable=False),
        sa.Column("urgent", sa.Boolean, nullable=False),
        sa.Column("grade", sa.Integer, nullable=False),
        sa.Column("opened_ms", sa.BigInteger, nullable=False),
        sa.Column("owed", sa.String),
        sa.Column("told", sa.Integer, nullable=False),
        sa.Column("told_ms", sa.BigInteger),
        sa.Column("gone_ms", sa.BigInteger),
        sa.Column("reopened", sa.Integer, nullable=False),
        sa.Column("seen_ms", sa.BigInteger),
        sa.Column("seen_by", sa.String),
        sa.Column("note", sa.Text),
        sa.Column("cleared_ms", sa.BigInteger),
        sa.Column("undelivered", sa.Text),
        sqlite_autoincrement=True,
    )
    op.create_index("alert_of_state", "alert", ["state", "cleared_ms"])
    op.create_table(
        "message",
        sa.Column("id", _ID, primary_key=True),
        sa.Column("tank", sa.String),
        sa.Column("queued_ms", sa.BigInteger, nullable=False),
        sa.Column("until_ms", sa.BigInteger, nullable=False),
        sa.Column("kind", sa.String, nullable=False),
        sa.Column("title", sa.Text, nullable=False),
        sa.Column("text", sa.Text, nullable=False),
        sa.Column("alerts", sa.Text, nullable=False),
        sqlite_autoincrement=True,
    )
    op.create_table(
        "delivery",
        sa.Column("message", _ID, sa.ForeignKey("message.id"), primary_key=True),
        sa.Column("target", sa.String, primary_key=True),
        sa.Column("state", sa.String, nullable=False),
        sa.Column("tries", sa.Integer, nullable=False),
        sa.Column("tried_ms", sa.BigInteger),
        sa.Column("error", sa.Text),
    )
    waiting = sa.column("state") == "waiting"
    op.create_index("delivery_waiting", "delivery", ["target", "message"], sqlite_where=waiting,
                    postgresql_where=waiting)  # fmt: skip
