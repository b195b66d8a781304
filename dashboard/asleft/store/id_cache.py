"""Names that many blocks share, and the rows they have in the sample file."""

from __future__ import annotations

import sqlite3


class Known:
    """Row ids of names that many blocks share; made on first use, forgotten when a transaction is undone."""

    def __init__(self, connection: sqlite3.Connection) -> None:
        self._connection = connection
        self._ids: dict[tuple[str, object], int] = {}
        self._longest_ns: dict[str, int] = {}

    def forget(self) -> None:
        """Forget everything."""
        self._ids.clear()
        self._longest_ns.clear()

    def valve(self, name: str) -> int:
        """Row id of a valve."""
        return self._id("valve", "name", name)

    def boot(self, name: str) -> int:
        """Row id of a boot id."""
        return self._id("boot", "name", name)

    def layout(self, body: str) -> int:
        """Row id of a layout."""
        return self._id("layout", "body", body)

    def series(self, valve: int, channel: str) -> int:
        """Row id of one channel of one valve."""
        key = ("series", (valve, channel))
        if key not in self._ids:
            self._connection.execute("INSERT OR IGNORE INTO series (valve, channel) VALUES (?,?)", (valve, channel))
            row = self._connection.execute(
                "SELECT id FROM series WHERE valve = ? AND channel = ?", (valve, channel)
            ).fetchone()
            self._ids[key] = row[0]
        return self._ids[key]

    def lengthen(self, valve: str, length_ns: int) -> None:
        """Remember the longest block of a valve."""
        if length_ns > self._longest_ns.get(valve, -1):
            self._connection.execute(
                "UPDATE valve SET longest_ns = ? WHERE name = ? AND longest_ns < ?", (length_ns, valve, length_ns)
            )
            self._longest_ns[valve] = length_ns

    def _id(self, table: str, column: str, value: str) -> int:
        key = (table, value)
        if key not in self._ids:
            self._connection.execute(f"INSERT OR IGNORE INTO {table} ({column}) VALUES (?)", (value,))
            row = self._connection.execute(f"SELECT id FROM {table} WHERE {column} = ?", (value,)).fetchone()
            self._ids[key] = row[0]
        return self._ids[key]
