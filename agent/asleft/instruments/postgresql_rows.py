"""Rows of a PostgreSQL database, by a SELECT of the settings, in transactions that cannot write."""

from __future__ import annotations

from datetime import UTC, datetime, timedelta
from pathlib import Path

import psycopg
from asleft.instruments.table_feed import Row, RowError
from asleft.instruments.table_settings import PostgresAddress, TableValve
from asleft.wire.tls_words import certificate_hint
from psycopg import sql

_EPOCH = datetime(1970, 1, 1, tzinfo=UTC)


def time_ns(value: object, column: str) -> int:
    """A cell of the time column as ns since 1970 UTC. Raises `RowError` for one that is no time with a zone."""
    if not isinstance(value, datetime):
        raise RowError(f'column "{column}" is {type(value).__name__}, a timestamp with time zone is needed')
    if value.tzinfo is None:
        raise RowError(
            f'column "{column}" is a timestamp without time zone: select it with one, as '
            f"\"{column} AT TIME ZONE 'UTC' AS {column}\""
        )
    return (value - _EPOCH) // timedelta(microseconds=1) * 1000


def statement(valve: TableValve) -> sql.Composed:
    """The settings' SELECT as a table of its own, so that it can be no other statement, between two times."""
    return sql.SQL(
        "SELECT {columns} FROM ({query}) AS source WHERE {time} > %s AND {time} <= %s ORDER BY {time} LIMIT %s"
    ).format(
        columns=sql.SQL(", ").join(
            sql.Identifier(name) for name in (valve.time_column, *(one.column for one in valve.columns))
        ),
        # The query is a person's own and stands in a file that only the agent's owner may write.
        query=sql.SQL(valve.query.replace("%", "%%")),
        time=sql.Identifier(valve.time_column),
    )


class PostgresRows:
    """See `asleft.instruments.table_feed.RowSource`, which it implements."""

    def __init__(self, address: PostgresAddress, timeout_s: float) -> None:
        """Connect. Raises `RowError`."""
        self._name = str(address)
        try:
            self._connection = psycopg.connect(
                host=address.host,
                port=address.port,
                dbname=address.database,
                user=address.user,
                password=_first_line(address.password_file),
                sslmode="verify-full" if address.ca_file is not None else "prefer",
                sslrootcert=str(address.ca_file) if address.ca_file is not None else None,
                connect_timeout=max(2, round(timeout_s)),
                application_name="asleft",
                options=f"-c statement_timeout={round(1000 * timeout_s)} -c default_transaction_read_only=on",
            )
            self._connection.read_only = True
        except psycopg.Error as error:
            said = _one_line(error)
            raise RowError(f"no connection: {said}{certificate_hint(said, 'ca_file')}") from error

    def now_ns(self) -> int:
        """The server's clock."""
        rows = self._ask(sql.SQL("SELECT clock_timestamp()"), ())
        return time_ns(rows[0][0], "clock_timestamp")

    def rows(self, valve: TableValve, after_ns: int, until_ns: int, limit: int) -> list[Row]:
        """Rows between two times."""
        found = self._ask(statement(valve), (_instant(after_ns), _instant(until_ns), limit))
        return [(time_ns(row[0], valve.time_column), row[1:]) for row in found]

    def close(self) -> None:
        """Close the connection."""
        self._connection.close()

    def _ask(self, query: sql.SQL | sql.Composed, parameters: tuple[object, ...]) -> list[tuple[object, ...]]:
        try:
            with self._connection.transaction(), self._connection.cursor() as cursor:
                cursor.execute(query, parameters)
                return cursor.fetchall()
        except psycopg.Error as error:
            raise RowError(f"the query fails: {_one_line(error)}") from error


def _instant(at_ns: int) -> datetime:
    return _EPOCH + timedelta(microseconds=at_ns // 1000)


def _first_line(file: Path | None) -> str | None:
    if file is None:
        return None
    try:
        return file.read_text().partition("\n")[0].rstrip("\r")
    except (OSError, UnicodeDecodeError) as error:
        raise RowError(f"{file}: cannot be read: {error}") from error


def _one_line(error: Exception) -> str:
    return " ".join(str(error).split())
