"""Accounts, their sessions, the throttle of sign-ins, and an audit trail that can only grow."""

from __future__ import annotations

import sqlalchemy as sa
from alembic import op

revision = "0002"
down_revision = "0001"
branch_labels = None
depends_on = None

_REFUSED = "the audit trail is never changed"


def upgrade() -> None:
    """Make the tables, and have the database itself refuse changes of the audit trail."""
    op.create_table(
        "account",
        sa.Column("name", sa.String(64), nullable=False),
        sa.Column("role", sa.String(32), nullable=False),
        sa.Column("password", sa.Text(), nullable=False),
        sa.Column("disabled", sa.Boolean(), nullable=False),
        sa.Column("created_at_ns", sa.BigInteger(), nullable=False),
        sa.Column("password_at_ns", sa.BigInteger(), nullable=False),
        sa.PrimaryKeyConstraint("name", name="pk_account"),
    )
    op.create_table(
        "web_session",
        sa.Column("digest", sa.String(64), nullable=False),
        sa.Column("account", sa.String(64), nullable=False),
        sa.Column("address", sa.String(64), nullable=False),
        sa.Column("started_at_ns", sa.BigInteger(), nullable=False),
        sa.Column("seen_at_ns", sa.BigInteger(), nullable=False),
        sa.PrimaryKeyConstraint("digest", name="pk_web_session"),
    )
    op.create_index("web_session_by_account", "web_session", ["account", "started_at_ns"])
    op.create_table(
        "login_throttle",
        sa.Column("subject", sa.String(80), nullable=False),
        sa.Column("failures", sa.Integer(), nullable=False),
        sa.Column("last_at_ns", sa.BigInteger(), nullable=False),
        sa.Column("until_ns", sa.BigInteger(), nullable=False),
        sa.PrimaryKeyConstraint("subject", name="pk_login_throttle"),
    )
    op.create_table(
        "audit",
        sa.Column("number", sa.BigInteger().with_variant(sa.Integer(), "sqlite"), nullable=False, autoincrement=True),
        sa.Column("at_ns", sa.BigInteger(), nullable=False),
        sa.Column("who", sa.Text(), nullable=False),
        sa.Column("address", sa.String(64), nullable=False),
        sa.Column("action", sa.String(32), nullable=False),
        sa.Column("subject", sa.Text(), nullable=False),
        sa.Column("details", sa.Text(), nullable=False),
        sa.PrimaryKeyConstraint("number", name="pk_audit"),
    )
    op.create_index("audit_by_time", "audit", ["at_ns"])
    if op.get_bind().dialect.name == "postgresql":
        op.execute(
            "CREATE FUNCTION audit_refuses_change() RETURNS trigger LANGUAGE plpgsql AS "
            f"$$ BEGIN RAISE EXCEPTION '{_REFUSED}'; END $$"
        )
        op.execute(
            "CREATE TRIGGER audit_only_grows BEFORE UPDATE OR DELETE OR TRUNCATE ON audit "
            "FOR EACH STATEMENT EXECUTE FUNCTION audit_refuses_change()"
        )
    else:
        for change in ("UPDATE", "DELETE"):
            op.execute(
                f"CREATE TRIGGER audit_refuses_{change.lower()} BEFORE {change} ON audit "
                f"BEGIN SELECT RAISE(ABORT, '{_REFUSED}'); END"
            )
        # REPLACE removes a row without asking the trigger above.
        op.execute(
            "CREATE TRIGGER audit_refuses_replacement BEFORE INSERT ON audit "
            "WHEN EXISTS (SELECT 1 FROM audit WHERE number = NEW.number) "
            f"BEGIN SELECT RAISE(ABORT, '{_REFUSED}'); END"
        )
