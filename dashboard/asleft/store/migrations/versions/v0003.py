"""What a sample store that knows no transactions needs beside it: marks, gaps, and where blocks stand."""

from __future__ import annotations

import sqlalchemy as sa
from alembic import op

revision = "0003"
down_revision = "0002"
branch_labels = None
depends_on = None


def upgrade() -> None:
    """Make the tables."""
    op.create_table(
        "sample_stream",
        sa.Column("agent", sa.String(64), nullable=False),
        sa.Column("stream", sa.String(64), nullable=False),
        sa.Column("mark", sa.BigInteger(), nullable=False),
        sa.Column("declared_gap", sa.BigInteger(), nullable=False),
        sa.Column("duplicates", sa.BigInteger(), nullable=False),
        sa.Column("last_at_ns", sa.BigInteger(), nullable=False),
        sa.PrimaryKeyConstraint("agent", "stream", name="pk_sample_stream"),
    )
    op.create_table(
        "sample_gap",
        sa.Column("agent", sa.String(64), nullable=False),
        sa.Column("stream", sa.String(64), nullable=False),
        sa.Column("first", sa.BigInteger(), nullable=False),
        sa.Column("last", sa.BigInteger(), nullable=False),
        sa.Column("why", sa.Text(), nullable=False),
        sa.PrimaryKeyConstraint("agent", "stream", "first", name="pk_sample_gap"),
    )
    op.create_table(
        "sample_above",
        sa.Column("agent", sa.String(64), nullable=False),
        sa.Column("stream", sa.String(64), nullable=False),
        sa.Column("seq", sa.BigInteger(), nullable=False),
        sa.PrimaryKeyConstraint("agent", "stream", "seq", name="pk_sample_above"),
    )
    op.create_table(
        "sample_lap",
        sa.Column("valve", sa.String(64), nullable=False),
        sa.Column("agent", sa.String(64), nullable=False),
        sa.Column("stream", sa.String(64), nullable=False),
        sa.Column("lap", sa.Integer(), nullable=False),
        sa.Column("last_seq", sa.BigInteger(), nullable=False),
        sa.Column("to_ns", sa.BigInteger(), nullable=False),
        sa.Column("longest_ns", sa.BigInteger(), nullable=False),
        sa.PrimaryKeyConstraint("valve", "agent", "stream", "lap", name="pk_sample_lap"),
    )
    op.create_table(
        "sample_page",
        sa.Column("valve", sa.String(64), nullable=False),
        sa.Column("agent", sa.String(64), nullable=False),
        sa.Column("stream", sa.String(64), nullable=False),
        sa.Column("page", sa.BigInteger(), nullable=False),
        sa.Column("lap", sa.Integer(), nullable=False),
        sa.Column("first_seq", sa.BigInteger(), nullable=False),
        sa.Column("last_seq", sa.BigInteger(), nullable=False),
        sa.Column("from_ns", sa.BigInteger(), nullable=False),
        sa.Column("to_ns", sa.BigInteger(), nullable=False),
        sa.PrimaryKeyConstraint("valve", "agent", "stream", "page", "lap", name="pk_sample_page"),
    )
    op.create_index("sample_page_by_time", "sample_page", ["valve", "from_ns"])
    op.create_index("sample_page_by_end", "sample_page", ["to_ns"])
