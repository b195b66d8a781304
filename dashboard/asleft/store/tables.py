"""Tables of the records store, portable between SQLite and PostgreSQL. The migrations build exactly these."""

from __future__ import annotations

from sqlalchemy import (
    BigInteger,
    Boolean,
    Column,
    Float,
    Index,
    Integer,
    MetaData,
    PrimaryKeyConstraint,
    String,
    Table,
    Text,
    UniqueConstraint,
)

metadata = MetaData()

_ID = String(64)
"""Valve and agent ids."""

sheet = Table(
    "sheet",
    metadata,
    Column("valve", _ID, nullable=False),
    Column("number", Integer, nullable=False),
    Column("at_ns", BigInteger, nullable=False),
    Column("entered_by", Text, nullable=False),
    Column("why", Text, nullable=False),
    Column("toml", Text, nullable=False),
    Column("entered_at_ns", BigInteger, nullable=False),
    PrimaryKeyConstraint("valve", "number", name="pk_sheet"),
)

judge_cursor = Table(
    "judge_cursor",
    metadata,
    Column("valve", _ID, nullable=False),
    Column("streams", Text, nullable=False),  # JSON: stream -> judged seq
    Column("judge_version", Integer, nullable=False),
    Column("sheet_number", Integer, nullable=False),
    Column("at_ns", BigInteger, nullable=False),
    Column("state", Text, nullable=False),
    PrimaryKeyConstraint("valve", name="pk_judge_cursor"),
)

judgement = Table(
    "judgement",
    metadata,
    Column("valve", _ID, nullable=False),
    Column("at_ns", BigInteger, nullable=False),
    Column("body", Text, nullable=False),
    PrimaryKeyConstraint("valve", name="pk_judgement"),
)

judgement_hour = Table(
    "judgement_hour",
    metadata,
    Column("valve", _ID, nullable=False),
    Column("hour", BigInteger, nullable=False),  # at_ns / 1 h
    Column("at_ns", BigInteger, nullable=False),
    Column("body", Text, nullable=False),
    PrimaryKeyConstraint("valve", "hour", name="pk_judgement_hour"),
)

state_interval = Table(
    "state_interval",
    metadata,
    Column("valve", _ID, nullable=False),
    Column("from_ns", BigInteger, nullable=False),
    Column("to_ns", BigInteger, nullable=False),
    Column("state", String(32), nullable=False),
    Column("basis", Text, nullable=False),
    PrimaryKeyConstraint("valve", "from_ns", name="pk_state_interval"),
)
Index("state_interval_by_end", state_interval.c.valve, state_interval.c.to_ns)

chart_point = Table(
    "chart_point",
    metadata,
    Column("valve", _ID, nullable=False),
    Column("quantity", String(64), nullable=False),
    Column("at_ns", BigInteger, nullable=False),
    Column("value", Float(53), nullable=False),
    Column("standard_uncertainty", Float(53), nullable=False),
    PrimaryKeyConstraint("valve", "quantity", "at_ns", name="pk_chart_point"),
)

alarm_event = Table(
    "alarm_event",
    metadata,
    Column("alarm", String(200), nullable=False),
    Column("seq", Integer, nullable=False),
    Column("event", String(32), nullable=False),
    Column("at_ns", BigInteger, nullable=False),
    Column("who", Text, nullable=False),
    Column("comment", Text, nullable=False),
    Column("valve", _ID, nullable=False),
    Column("kind", String(64), nullable=False),
    Column("severity", Integer, nullable=False),
    Column("part", String(64), nullable=False),
    Column("evidence", Text, nullable=False),
    Column("onset_ns", BigInteger, nullable=False),
    Column("until_ns", BigInteger, nullable=True),
    PrimaryKeyConstraint("alarm", "seq", name="pk_alarm_event"),
)
Index("alarm_event_by_valve", alarm_event.c.valve, alarm_event.c.at_ns)
Index("alarm_event_by_time", alarm_event.c.at_ns)

backfill = Table(
    "backfill",
    metadata,
    Column("valve", _ID, nullable=False),
    Column("until_ns", BigInteger, nullable=False),
    Column("done", Integer, nullable=False),
    Column("total", Integer, nullable=False),
    Column("complete", Boolean, nullable=False),
    PrimaryKeyConstraint("valve", name="pk_backfill"),
)

clock_change = Table(
    "clock_change",
    metadata,
    Column("agent", _ID, nullable=False),
    Column("stream", _ID, nullable=False),
    Column("first_seq", BigInteger, nullable=False),
    Column("offset_ns", BigInteger, nullable=False),
    Column("why", Text, nullable=False),
    Column("at_ns", BigInteger, nullable=False),
    PrimaryKeyConstraint("agent", "stream", "first_seq", name="pk_clock_change"),
)

health = Table(
    "health",
    metadata,
    Column("source", String(128), nullable=False),
    Column("at_ns", BigInteger, nullable=False),
    Column("details", Text, nullable=False),  # JSON
    PrimaryKeyConstraint("source", name="pk_health"),
)

account = Table(
    "account",
    metadata,
    Column("name", _ID, nullable=False),
    Column("role", String(32), nullable=False),
    Column("password", Text, nullable=False),  # argon2id, with its salt and parameters
    Column("disabled", Boolean, nullable=False),
    Column("created_at_ns", BigInteger, nullable=False),
    Column("password_at_ns", BigInteger, nullable=False),
    Column("totp_secret", Text, nullable=False, server_default=""),  # base32; empty without a second factor
    Column("totp_step", BigInteger, nullable=False, server_default="0"),  # of the last code: none is taken twice
    Column(
        "told_number", BigInteger, nullable=False, server_default="0"
    ),  # last line of the audit trail its owner read
    PrimaryKeyConstraint("name", name="pk_account"),
)

known_device = Table(
    "known_device",
    metadata,
    Column("digest", String(64), nullable=False),  # SHA-256 of what the browser's cookie holds
    Column("account", _ID, nullable=False),
    Column("last_at_ns", BigInteger, nullable=False),
    PrimaryKeyConstraint("digest", name="pk_known_device"),
)
Index("known_device_by_account", known_device.c.account, known_device.c.last_at_ns)

web_session = Table(
    "web_session",
    metadata,
    Column("digest", String(64), nullable=False),  # SHA-256 of what the cookie holds: the table lets nobody in
    Column("account", _ID, nullable=False),
    Column("address", String(64), nullable=False),
    Column("started_at_ns", BigInteger, nullable=False),
    Column("seen_at_ns", BigInteger, nullable=False),
    PrimaryKeyConstraint("digest", name="pk_web_session"),
)
Index("web_session_by_account", web_session.c.account, web_session.c.started_at_ns)

#: Tokens of programs. One that was revoked or has ended stays, so that its name is never another's.
api_token = Table(
    "api_token",
    metadata,
    Column("name", _ID, nullable=False),
    Column("digest", String(64), nullable=False),  # SHA-256 of the token: the table lets nobody in
    Column("role", String(32), nullable=False),
    Column("valves", Text, nullable=False),  # JSON: the list of valves it may see; null for all
    Column("made_by", Text, nullable=False),
    Column("made_at_ns", BigInteger, nullable=False),
    Column("expires_at_ns", BigInteger, nullable=False),
    Column("revoked_at_ns", BigInteger, nullable=True),
    Column("account", _ID, nullable=True),  # whose it is, and with whom it ends; null for nobody's
    Column("used_at_ns", BigInteger, nullable=True),
    PrimaryKeyConstraint("name", name="pk_api_token"),
    UniqueConstraint("digest", name="uq_api_token_digest"),
)

login_throttle = Table(
    "login_throttle",
    metadata,
    Column("subject", String(80), nullable=False),  # "account/<hash of the name tried>", "address/...", "device/..."
    Column("failures", Integer, nullable=False),
    Column("last_at_ns", BigInteger, nullable=False),
    Column("until_ns", BigInteger, nullable=False),
    PrimaryKeyConstraint("subject", name="pk_login_throttle"),
)

audit = Table(
    "audit",
    metadata,
    # SQLite counts only in a column declared INTEGER.
    Column("number", BigInteger().with_variant(Integer(), "sqlite"), nullable=False, autoincrement=True),
    Column("at_ns", BigInteger, nullable=False),
    Column("who", Text, nullable=False),
    Column("address", String(64), nullable=False),
    Column("action", String(32), nullable=False),
    Column("subject", Text, nullable=False),
    Column("details", Text, nullable=False),
    PrimaryKeyConstraint("number", name="pk_audit"),
)
Index("audit_by_time", audit.c.at_ns)
Index("audit_by_subject", audit.c.subject, audit.c.number)

#: Of the audit trail, lines before this number have gone, or may go; no row: all are kept.
audit_bound = Table(
    "audit_bound",
    metadata,
    Column("first_kept", BigInteger, autoincrement=False, nullable=False),
    PrimaryKeyConstraint("first_kept", name="pk_audit_bound"),
)

#: Rows are added, never changed; the newest for a valve (empty: for every valve) and part counts.
contact = Table(
    "contact",
    metadata,
    Column("number", BigInteger().with_variant(Integer(), "sqlite"), nullable=False, autoincrement=True),
    Column("valve", String(64), nullable=False),
    Column("part", String(64), nullable=False),
    Column("spare", Text, nullable=False),
    Column("contact", Text, nullable=False),
    Column("who", Text, nullable=False),
    Column("at_ns", BigInteger, nullable=False),
    PrimaryKeyConstraint("number", name="pk_contact"),
)

#: Messages to be sent, and when they were: what is called out is written down before it is sent.
notice = Table(
    "notice",
    metadata,
    Column("key", String(200), nullable=False),  # what it is about and to whom: never made twice
    Column("made_ns", BigInteger, nullable=False),
    Column("to_name", String(64), nullable=False),
    Column("subject", Text, nullable=False),
    Column("body", Text, nullable=False),
    Column("tries", Integer, nullable=False),
    Column("next_ns", BigInteger, nullable=False),
    Column("sent_ns", BigInteger, nullable=True),
    Column("error", Text, nullable=False),
    PrimaryKeyConstraint("key", name="pk_notice"),
)
Index("notice_by_next", notice.c.sent_ns, notice.c.next_ns)

#: What an outlet has said last, so that it goes on where it stopped. `body` is JSON.
outlet_state = Table(
    "outlet_state",
    metadata,
    Column("name", String(64), nullable=False),
    Column("body", Text, nullable=False),
    PrimaryKeyConstraint("name", name="pk_outlet_state"),
)

#: Work in progress as people declare it: rows are added, never changed.
work_event = Table(
    "work_event",
    metadata,
    Column("number", BigInteger().with_variant(Integer(), "sqlite"), nullable=False, autoincrement=True),
    Column("valve", _ID, nullable=False),
    Column("event", String(16), nullable=False),
    Column("at_ns", BigInteger, nullable=False),
    Column("until_ns", BigInteger, nullable=False),  # expiry of the declaration that is made or ended
    Column("why", Text, nullable=False),
    Column("who", Text, nullable=False),
    PrimaryKeyConstraint("number", name="pk_work_event"),
)
Index("work_event_by_valve", work_event.c.valve, work_event.c.until_ns)
Index("work_event_by_expiry", work_event.c.until_ns)

#: Rows are added, never changed. `body` is the record's JSON as it was filed.
verification = Table(
    "verification",
    metadata,
    Column("valve", _ID, nullable=False),
    Column("number", Integer, nullable=False),
    Column("at_ns", BigInteger, nullable=False),
    Column("who", Text, nullable=False),
    Column("sheet_number", Integer, nullable=False),
    Column("accepted", Boolean, nullable=False),
    Column("body", Text, nullable=False),
    Column("digest", String(64), nullable=False),
    PrimaryKeyConstraint("valve", "number", name="pk_verification"),
)

#: Which agents may send the readings of which valve.
valve_agent = Table(
    "valve_agent",
    metadata,
    Column("valve", _ID, nullable=False),
    Column("agent", _ID, nullable=False),
    Column("at_ns", BigInteger, nullable=False),
    Column("who", Text, nullable=False),  # who said so; empty: nobody, the agent was the first to send it
    PrimaryKeyConstraint("valve", "agent", name="pk_valve_agent"),
)

# Recorders side by side. Times are unix ns by this database's clock, whatever the recorders' clocks say.

recorder_member = Table(
    "recorder_member",
    metadata,
    Column("recorder", _ID, nullable=False),
    Column("instance", _ID, nullable=False),  # of its data folder: tells a second recorder of one name
    Column("until_ns", BigInteger, nullable=False),  # alive until then, unless it says so again
    PrimaryKeyConstraint("recorder", name="pk_recorder_member"),
)

agent_lease = Table(
    "agent_lease",
    metadata,
    Column("agent", _ID, nullable=False),
    Column("owner", _ID, nullable=False),  # a recorder, or nobody ("")
    Column("until_ns", BigInteger, nullable=False),
    Column("epoch", BigInteger, nullable=False),  # one more with every taking over
    PrimaryKeyConstraint("agent", name="pk_agent_lease"),
)

# What a sample store that knows no transactions needs beside it: which blocks it holds, and where they stand.

sample_stream = Table(
    "sample_stream",
    metadata,
    Column("agent", _ID, nullable=False),
    Column("stream", _ID, nullable=False),
    Column("mark", BigInteger, nullable=False),
    Column("declared_gap", BigInteger, nullable=False),
    Column("duplicates", BigInteger, nullable=False),
    Column("last_at_ns", BigInteger, nullable=False),
    PrimaryKeyConstraint("agent", "stream", name="pk_sample_stream"),
)

sample_gap = Table(
    "sample_gap",
    metadata,
    Column("agent", _ID, nullable=False),
    Column("stream", _ID, nullable=False),
    Column("first", BigInteger, nullable=False),
    Column("last", BigInteger, nullable=False),
    Column("why", Text, nullable=False),
    PrimaryKeyConstraint("agent", "stream", "first", name="pk_sample_gap"),
)

sample_above = Table(  # blocks that are stored although one before them is missing
    "sample_above",
    metadata,
    Column("agent", _ID, nullable=False),
    Column("stream", _ID, nullable=False),
    Column("seq", BigInteger, nullable=False),
    PrimaryKeyConstraint("agent", "stream", "seq", name="pk_sample_above"),
)

sample_lap = Table(
    "sample_lap",
    metadata,
    Column("valve", _ID, nullable=False),
    Column("agent", _ID, nullable=False),
    Column("stream", _ID, nullable=False),
    Column("lap", Integer, nullable=False),
    Column("last_seq", BigInteger, nullable=False),
    Column("to_ns", BigInteger, nullable=False),
    Column("longest_ns", BigInteger, nullable=False),
    PrimaryKeyConstraint("valve", "agent", "stream", "lap", name="pk_sample_lap"),
)

sample_page = Table(
    "sample_page",
    metadata,
    Column("valve", _ID, nullable=False),
    Column("agent", _ID, nullable=False),
    Column("stream", _ID, nullable=False),
    Column("page", BigInteger, nullable=False),  # seq / PAGE
    Column("lap", Integer, nullable=False),
    Column("first_seq", BigInteger, nullable=False),
    Column("last_seq", BigInteger, nullable=False),
    Column("from_ns", BigInteger, nullable=False),
    Column("to_ns", BigInteger, nullable=False),
    PrimaryKeyConstraint("valve", "agent", "stream", "page", "lap", name="pk_sample_page"),
)
Index("sample_page_by_time", sample_page.c.valve, sample_page.c.from_ns)
Index("sample_page_by_end", sample_page.c.to_ns)
