"""Corrections of agents' clocks, beside the raw times."""

from __future__ import annotations

import sqlalchemy as sa
from alembic import op

revision = "0004"
down_revision = "0003"
branch_labels = None
depends_on = None


def upgrade() -> None:
    """Make the table."""
    op.create_table(
        "clock_change",
        sa.Column("agent", sa.String(64), nullable=False),
        sa.Column("stream", sa.String(64), nullable=False),
        sa.Column("first_seq", sa.BigInteger(), nullable=False),
        sa.Column("offset_ns", sa.BigInteger(), nullable=False),
        sa.Column("why", sa.Text(), nullable=False),
        sa.Column("at_ns", sa.BigInteger(), nullable=False),
        sa.PrimaryKeyConstraint("agent", "stream", "first_seq", name="pk_clock_change"),
    )
