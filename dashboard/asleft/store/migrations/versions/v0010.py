"""Browsers that have signed in, a second factor, what somebody has been told, and a bound for the audit trail."""

from __future__ import annotations

import sqlalchemy as sa
from alembic import op

revision = "0010"
down_revision = "0009"
branch_labels = None
depends_on = None

_REFUSED = "the audit trail is never changed"
_FIRST = "coalesce((SELECT max(first_kept) FROM audit_bound), 0)"


def upgrade() -> None:
    """Make the tables; lines of the audit trail before its bound may go, and no other."""
    op.create_table(
        "known_device",
        sa.Column("digest", sa.String(64), nullable=False),
        sa.Column("account", sa.String(64), nullable=False),
        sa.Column("last_at_ns", sa.BigInteger(), nullable=False),
        sa.PrimaryKeyConstraint("digest", name="pk_known_device"),
    )
    op.create_index("known_device_by_account", "known_device", ["account", "last_at_ns"])
    op.add_column("account", sa.Column("totp_secret", sa.Text(), nullable=False, server_default=""))
    op.add_column("account", sa.Column("totp_step", sa.BigInteger(), nullable=False, server_default="0"))
    op.add_column("account", sa.Column("told_number", sa.BigInteger(), nullable=False, server_default="0"))
    # What happened to accounts before is no news: people are told of what comes after.
    op.execute("UPDATE account SET told_number = coalesce((SELECT max(number) FROM audit), 0)")
    op.create_index("audit_by_subject", "audit", ["subject", "number"])
    op.create_table(
        "audit_bound",
        sa.Column("first_kept", sa.BigInteger(), autoincrement=False, nullable=False),
        sa.PrimaryKeyConstraint("first_kept", name="pk_audit_bound"),
    )
    if op.get_bind().dialect.name == "postgresql":
        op.execute("DROP TRIGGER audit_only_grows ON audit")
        op.execute(
            "CREATE TRIGGER audit_only_grows BEFORE UPDATE OR TRUNCATE ON audit "
            "FOR EACH STATEMENT EXECUTE FUNCTION audit_refuses_change()"
        )
        op.execute(
            "CREATE FUNCTION audit_keeps_from_bound() RETURNS trigger LANGUAGE plpgsql AS "
            f"$$ BEGIN IF OLD.number >= {_FIRST} THEN RAISE EXCEPTION '{_REFUSED}'; END IF; RETURN OLD; END $$"
        )
        op.execute(
            "CREATE TRIGGER audit_keeps_from_bound BEFORE DELETE ON audit "
            "FOR EACH ROW EXECUTE FUNCTION audit_keeps_from_bound()"
        )
    else:
        op.execute("DROP TRIGGER audit_refuses_delete")
        op.execute(
            f"CREATE TRIGGER audit_refuses_delete BEFORE DELETE ON audit WHEN OLD.number >= {_FIRST} "
            f"BEGIN SELECT RAISE(ABORT, '{_REFUSED}'); END"
        )
