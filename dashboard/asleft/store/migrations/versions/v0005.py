"""Recorders side by side: which of them are alive, and whose each agent is."""

from __future__ import annotations

import sqlalchemy as sa
from alembic import op

revision = "0005"
down_revision = "0004"
branch_labels = None
depends_on = None


def upgrade() -> None:
    """Make the tables."""
    op.create_table(
        "recorder_member",
        sa.Column("recorder", sa.String(64), nullable=False),
        sa.Column("instance", sa.String(64), nullable=False),
        sa.Column("until_ns", sa.BigInteger(), nullable=False),
        sa.PrimaryKeyConstraint("recorder", name="pk_recorder_member"),
    )
    op.create_table(
        "agent_lease",
        sa.Column("agent", sa.String(64), nullable=False),
        sa.Column("owner", sa.String(64), nullable=False),
        sa.Column("until_ns", sa.BigInteger(), nullable=False),
        sa.Column("epoch", sa.BigInteger(), nullable=False),
        sa.PrimaryKeyConstraint("agent", name="pk_agent_lease"),
    )
