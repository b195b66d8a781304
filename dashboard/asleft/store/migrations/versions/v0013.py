"""Tokens of programs: whose they are, and when they were used last."""

from __future__ import annotations

import sqlalchemy as sa
from alembic import op

revision = "0013"
down_revision = "0012"
branch_labels = None
depends_on = None


def upgrade() -> None:
    """Add the columns; tokens made before are nobody's."""
    op.add_column("api_token", sa.Column("account", sa.String(64), nullable=True))
    op.add_column("api_token", sa.Column("used_at_ns", sa.BigInteger(), nullable=True))
