"""Work in progress as people declare it."""

from __future__ import annotations

import sqlalchemy as sa
from alembic import op

revision = "0007"
down_revision = "0006"
branch_labels = None
depends_on = None

_REFUSED = "what was declared of work is never changed"


def upgrade() -> None:
    """Make the table, and have the database itself refuse changes of it."""
    op.create_table(
        "work_event",
        sa.Column("number", sa.BigInteger().with_variant(sa.Integer(), "sqlite"), nullable=False, autoincrement=True),
        sa.Column("valve", sa.String(64), nullable=False),
        sa.Column("event", sa.String(16), nullable=False),
        sa.Column("at_ns", sa.BigInteger(), nullable=False),
        sa.Column("until_ns", sa.BigInteger(), nullable=False),
        sa.Column("why", sa.Text(), nullable=False),
        sa.Column("who", sa.Text(), nullable=False),
        sa.PrimaryKeyConstraint("number", name="pk_work_event"),
    )
    op.create_index("work_event_by_valve", "work_event", ["valve", "until_ns"])
    op.create_index("work_event_by_expiry", "work_event", ["until_ns"])
    if op.get_bind().dialect.name == "postgresql":
        op.execute(
            "CREATE FUNCTION work_event_refuses_change() RETURNS trigger LANGUAGE plpgsql AS "
            f"$$ BEGIN RAISE EXCEPTION '{_REFUSED}'; END $$"
        )
        op.execute(
            "CREATE TRIGGER work_event_only_grows BEFORE UPDATE OR DELETE OR TRUNCATE ON work_event "
            "FOR EACH STATEMENT EXECUTE FUNCTION work_event_refuses_change()"
        )
    else:
        for change in ("UPDATE", "DELETE"):
            op.execute(
                f"CREATE TRIGGER work_event_refuses_{change.lower()} BEFORE {change} ON work_event "
                f"BEGIN SELECT RAISE(ABORT, '{_REFUSED}'); END"
            )
