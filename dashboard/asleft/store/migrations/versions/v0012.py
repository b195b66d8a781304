"""Tokens by which programs ask the interface for programs, and what outlets have said last."""

from __future__ import annotations

import sqlalchemy as sa
from alembic import op

revision = "0012"
down_revision = "0011"
branch_labels = None
depends_on = None


def upgrade() -> None:
    """Make the tables."""
    op.create_table(
        "api_token",
        sa.Column("name", sa.String(64), nullable=False),
        sa.Column("digest", sa.String(64), nullable=False),
        sa.Column("role", sa.String(32), nullable=False),
        sa.Column("valves", sa.Text(), nullable=False),
        sa.Column("made_by", sa.Text(), nullable=False),
        sa.Column("made_at_ns", sa.BigInteger(), nullable=False),
        sa.Column("expires_at_ns", sa.BigInteger(), nullable=False),
        sa.Column("revoked_at_ns", sa.BigInteger(), nullable=True),
        sa.PrimaryKeyConstraint("name", name="pk_api_token"),
        sa.UniqueConstraint("digest", name="uq_api_token_digest"),
    )
    op.create_table(
        "outlet_state",
        sa.Column("name", sa.String(64), nullable=False),
        sa.Column("body", sa.Text(), nullable=False),
        sa.PrimaryKeyConstraint("name", name="pk_outlet_state"),
    )
