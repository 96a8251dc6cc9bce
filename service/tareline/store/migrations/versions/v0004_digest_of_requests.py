"""What a client reference was sent with, as a digest beside the answer."""

import sqlalchemy as sa
from alembic import op

revision = "0004"
down_revision = "0003"


def upgrade() -> None:
    op.add_column("answered", sa.Column("digest", sa.String))
