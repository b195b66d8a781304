"""Verification records."""

from __future__ import annotations

import sqlalchemy as sa
from alembic import op

revision = "0008"
down_revision = "0007"
branch_labels = None
depends_on = None


_REFUSED = "a verification record is never changed"


def upgrade() -> None:
    """Make the table, and have the database itself refuse changes of it."""
    op.create_table(
        "verification",
        sa.Column("valve", sa.String(64), nullable=False),
        sa.Column("number", sa.Integer(), nullable=False),
        sa.Column("at_ns", sa.BigInteger(), nullable=False),
        sa.Column("who", sa.Text(), nullable=False),
        sa.Column("sheet_number", sa.Integer(), nullable=False),
        sa.Column("accepted", sa.Boolean(), nullable=False),
        sa.Column("body", sa.Text(), nullable=False),
        sa.Column("digest", sa.String(64), nullable=False),
        sa.PrimaryKeyConstraint("valve", "number", name="pk_verification"),
    )
    if op.get_bind().dialect.name == "postgresql":
        op.execute(
            "CREATE FUNCTION verification_refuses_change() RETURNS trigger LANGUAGE plpgsql AS "
            f"$$ BEGIN RAISE EXCEPTION '{_REFUSED}'; END $$"
        )
        op.execute(
            "CREATE TRIGGER verification_only_grows BEFORE UPDATE OR DELETE OR TRUNCATE ON verification "
            "FOR EACH STATEMENT EXECUTE FUNCTION verification_refuses_change()"
        )
    else:
        for change in ("UPDATE", "DELETE"):
            op.execute(
                f"CREATE TRIGGER verification_refuses_{change.lower()} BEFORE {change} ON verification "
                f"BEGIN SELECT RAISE(ABORT, '{_REFUSED}'); END"
            )
