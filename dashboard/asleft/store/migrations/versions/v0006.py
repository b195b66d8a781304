"""Whom to call for a part, and messages to be sent."""

from __future__ import annotations

import sqlalchemy as sa
from alembic import op

revision = "0006"
down_revision = "0005"
branch_labels = None
depends_on = None


def upgrade() -> None:
    """Make the tables."""
    op.create_table(
        "contact",
        sa.Column("number", sa.BigInteger().with_variant(sa.Integer(), "sqlite"), nullable=False, autoincrement=True),
        sa.Column("valve", sa.String(64), nullable=False),
        sa.Column("part", sa.String(64), nullable=False),
        sa.Column("spare", sa.Text(), nullable=False),
        sa.Column("contact", sa.Text(), nullable=False),
        sa.Column("who", sa.Text(), nullable=False),
        sa.Column("at_ns", sa.BigInteger(), nullable=False),
        sa.PrimaryKeyConstraint("number", name="pk_contact"),
    )
    op.create_table(
        "notice",
        sa.Column("key", sa.String(200), nullable=False),
        sa.Column("made_ns", sa.BigInteger(), nullable=False),
        sa.Column("to_name", sa.String(64), nullable=False),
        sa.Column("subject", sa.Text(), nullable=False),
        sa.Column("body", sa.Text(), nullable=False),
        sa.Column("tries", sa.Integer(), nullable=False),
        sa.Column("next_ns", sa.BigInteger(), nullable=False),
        sa.Column("sent_ns", sa.BigInteger(), nullable=True),
        sa.Column("error", sa.Text(), nullable=False),
        sa.PrimaryKeyConstraint("key", name="pk_notice"),
    )
    op.create_index("notice_by_next", "notice", ["sent_ns", "next_ns"])
