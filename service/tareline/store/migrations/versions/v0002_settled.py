"""What closed periods of a feeder left."""

import sqlalchemy as sa
from alembic import op

revision = "0002"
down_revision = "0001"


def upgrade() -> None:
    op.create_table(
        "settled",
        sa.Column("feeder", sa.String, primary_key=True),
        sa.Column("at_ms", sa.BigInteger, primary_key=True),
        sa.Column("position", sa.BigInteger, nullable=False),
        sa.Column("body", sa.Text, nullable=False),
    )
