"""Points of an InfluxDB by InfluxQL, over HTTP GET, which the server takes for reading alone.

InfluxQL is what versions 1, 2 (with the bucket mapped to a database) and 3 have in common.
"""

from __future__ import annotations

import base64
import json
import ssl
import time
import urllib.error
import urllib.parse
import urllib.request
from collections.abc import Mapping, Sequence
from decimal import Decimal
from pathlib import Path

from asleft.instruments.table_feed import Row, RowError
from asleft.instruments.table_settings import InfluxAddress, TableValve

_MOST_BYTES = 64 * 1024 * 1024


def statement(valve: TableValve, after_ns: int, until_ns: int, limit: int) -> str:
    """The query. Identifiers and tag values are quoted as InfluxQL says, so that they can end nothing."""
    columns = ", ".join(_identifier(one.column) for one in valve.columns)
    tags = "".join(f" AND {_identifier(key)} = {_text(value)}" for key, value in valve.tags.items())
    return (
        f"SELECT {columns} FROM {_identifier(valve.measurement)} "
        f"WHERE time > {after_ns} AND time <= {until_ns}{tags} ORDER BY time ASC LIMIT {limit}"
    )


def rows_of(body: bytes, columns: Sequence[str]) -> list[Row]:
    """Rows of an answer with times in ns. Raises `RowError` for an answer that is none, or an error of the server."""
    try:
        answer = json.loads(body, parse_float=Decimal)
        error = answer.get("error") or next((one["error"] for one in answer["results"] if "error" in one), "")
        if error:
            raise RowError(f"the query fails: {error}")
        series = [one for result in answer["results"] for one in result.get("series", [])]
        rows: list[Row] = []
        for one in series:
            places = [one["columns"].index(name) for name in ("time", *columns)]
            for row in one["values"]:
                at, *values = (row[place] for place in places)
                if not isinstance(at, int):
                    raise RowError(f"a time is {str(at)[:40]!r}, ns were asked for")
                rows.append((at, values))
    except (ValueError, KeyError, AttributeError, TypeError, IndexError, RecursionError) as wrong:
        raise RowError(f"the answer cannot be read: {wrong}") from wrong
    return sorted(rows, key=lambda row: row[0])


class InfluxRows:
    """See `asleft.instruments.table_feed.RowSource`, which it implements."""

    def __init__(self, address: InfluxAddress, timeout_s: float) -> None:
        self._address = address
        self._timeout_s = timeout_s
        self._headers = _headers(address)
        try:
            self._tls = (
                ssl.create_default_context(cafile=address.ca_file) if address.url.startswith("https") else None
            )
        except (OSError, ValueError) as error:
            raise RowError(f"{address.ca_file}: cannot be used: {error}") from error

    def now_ns(self) -> int:
        """Our own clock; the server says its own only to the second."""
        return time.time_ns()

    def rows(self, valve: TableValve, after_ns: int, until_ns: int, limit: int) -> list[Row]:
        """Points between two times."""
        asked = {
            "db": self._address.database,
            "epoch": "ns",
            "q": statement(valve, after_ns, until_ns, limit),
        }
        request = urllib.request.Request(
            f"{self._address.url}/query?{urllib.parse.urlencode(asked)}", headers=dict(self._headers), method="GET"
        )
        try:
            with urllib.request.urlopen(request, timeout=self._timeout_s, context=self._tls) as answer:
                body = answer.read(_MOST_BYTES + 1)
        except urllib.error.HTTPError as error:
            said = " ".join(error.read(300).decode("utf-8", "replace").split())
            raise RowError(f"the server answers {error.code}: {said}") from error
        except (OSError, ValueError) as error:
            raise RowError(f"no connection: {error}") from error
        if len(body) > _MOST_BYTES:
            raise RowError(f"the answer has more than {_MOST_BYTES} bytes")
        return rows_of(body, [one.column for one in valve.columns])

    def close(self) -> None:
        """Nothing is kept open."""


def _headers(address: InfluxAddress) -> Mapping[str, str]:
    try:
        if address.token_file is not None:
            return {"Authorization": f"Token {_first_line(address.token_file)}"}
        if address.username:
            word = "" if address.password_file is None else _first_line(address.password_file)
            pair = base64.b64encode(f"{address.username}:{word}".encode()).decode()
            return {"Authorization": f"Basic {pair}"}
    except (OSError, UnicodeDecodeError) as error:
        raise RowError(f"a file cannot be read: {error}") from error
    return {}


def _first_line(file: Path) -> str:
    return file.read_text().partition("\n")[0].rstrip("\r")


def _identifier(name: str) -> str:
    escaped = name.replace("\\", "\\\\").replace('"', '\\"').replace("\n", "\\n")
    return f'"{escaped}"'


def _text(value: str) -> str:
    escaped = value.replace("\\", "\\\\").replace("'", "\\'").replace("\n", "\\n")
    return f"'{escaped}'"
