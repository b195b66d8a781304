"""The first layout: sheets, judging, alarms, history on its way, health."""

from __future__ import annotations

import sqlalchemy as sa
from alembic import op

revision = "0001"
down_revision = None
branch_labels = None
depends_on = None


def upgrade() -> None:
    """Make every table."""
    op.create_table(
        "sheet",
        sa.Column("valve", sa.String(64), nullable=False),
        sa.Column("number", sa.Integer(), nullable=False),
        sa.Column("at_ns", sa.BigInteger(), nullable=False),
        sa.Column("entered_by", sa.Text(), nullable=False),
        sa.Column("why", sa.Text(), nullable=False),
        sa.Column("toml", sa.Text(), nullable=False),
        sa.Column("entered_at_ns", sa.BigInteger(), nullable=False),
        sa.PrimaryKeyConstraint("valve", "number", name="pk_sheet"),
    )
    op.create_table(
        "judge_cursor",
        sa.Column("valve", sa.String(64), nullable=False),
        sa.Column("streams", sa.Text(), nullable=False),
        sa.Column("judge_version", sa.Integer(), nullable=False),
        sa.Column("sheet_number", sa.Integer(), nullable=False),
        sa.Column("at_ns", sa.BigInteger(), nullable=False),
        sa.Column("state", sa.Text(), nullable=False),
        sa.PrimaryKeyConstraint("valve", name="pk_judge_cursor"),
    )
    op.create_table(
        "judgement",
        sa.Column("valve", sa.String(64), nullable=False),
        sa.Column("at_ns", sa.BigInteger(), nullable=False),
        sa.Column("body", sa.Text(), nullable=False),
        sa.PrimaryKeyConstraint("valve", name="pk_judgement"),
    )
    op.create_table(
        "judgement_hour",
        sa.Column("valve", sa.String(64), nullable=False),
        sa.Column("hour", sa.BigInteger(), nullable=False),
        sa.Column("at_ns", sa.BigInteger(), nullable=False),
        sa.Column("body", sa.Text(), nullable=False),
        sa.PrimaryKeyConstraint("valve", "hour", name="pk_judgement_hour"),
    )
    op.create_table(
        "state_interval",
        sa.Column("valve", sa.String(64), nullable=False),
        sa.Column("from_ns", sa.BigInteger(), nullable=False),
        sa.Column("to_ns", sa.BigInteger(), nullable=False),
        sa.Column("state", sa.String(32), nullable=False),
        sa.Column("basis", sa.Text(), nullable=False),
        sa.PrimaryKeyConstraint("valve", "from_ns", name="pk_state_interval"),
    )
    op.create_index("state_interval_by_end", "state_interval", ["valve", "to_ns"])
    op.create_table(
        "chart_point",
        sa.Column("valve", sa.String(64), nullable=False),
        sa.Column("quantity", sa.String(64), nullable=False),
        sa.Column("at_ns", sa.BigInteger(), nullable=False),
        sa.Column("value", sa.Float(53), nullable=False),
        sa.Column("standard_uncertainty", sa.Float(53), nullable=False),
        sa.PrimaryKeyConstraint("valve", "quantity", "at_ns", name="pk_chart_point"),
    )
    op.create_table(
        "alarm_event",
        sa.Column("alarm", sa.String(200), nullable=False),
        sa.Column("seq", sa.Integer(), nullable=False),
        sa.Column("event", sa.String(32), nullable=False),
        sa.Column("at_ns", sa.BigInteger(), nullable=False),
        sa.Column("who", sa.Text(), nullable=False),
        sa.Column("comment", sa.Text(), nullable=False),
        sa.Column("valve", sa.String(64), nullable=False),
        sa.Column("kind", sa.String(64), nullable=False),
        sa.Column("severity", sa.Integer(), nullable=False),
        sa.Column("part", sa.String(64), nullable=False),
        sa.Column("evidence", sa.Text(), nullable=False),
        sa.Column("onset_ns", sa.BigInteger(), nullable=False),
        sa.Column("until_ns", sa.BigInteger(), nullable=True),
        sa.PrimaryKeyConstraint("alarm", "seq", name="pk_alarm_event"),
    )
    op.create_index("alarm_event_by_valve", "alarm_event", ["valve", "at_ns"])
    op.create_index("alarm_event_by_time", "alarm_event", ["at_ns"])
    op.create_table(
        "backfill",
        sa.Column("valve", sa.String(64), nullable=False),
        sa.Column("until_ns", sa.BigInteger(), nullable=False),
        sa.Column("done", sa.Integer(), nullable=False),
        sa.Column("total", sa.Integer(), nullable=False),
        sa.Column("complete", sa.Boolean(), nullable=False),
        sa.PrimaryKeyConstraint("valve", name="pk_backfill"),
    )
    op.create_table(
        "health",
        sa.Column("source", sa.String(128), nullable=False),
        sa.Column("at_ns", sa.BigInteger(), nullable=False),
        sa.Column("details", sa.Text(), nullable=False),
        sa.PrimaryKeyConstraint("source", name="pk_health"),
    )
