"""InfluxQL over plain HTTP (`/query`): the one way of reading that InfluxDB 1, 2 and 3 all have."""

from __future__ import annotations

import json
from collections.abc import Mapping
from typing import Any, NamedTuple

import urllib3
from asleft.store.influx.place import InfluxPlace
from asleft.store.protocols import StoreUnavailable

CONNECT_S = 5.0
READ_S = 60.0
PING_S = 5.0


class StatementRefused(StoreUnavailable):
    """The server understood the question and does not answer it: it does not know it, or we may not ask it."""


class BucketMissing(StatementRefused):
    """There is no such bucket, or we may not read it: InfluxDB 2 says the same of both."""


class Answer(NamedTuple):
    """One series of an answer."""

    tags: dict[str, str]
    columns: list[str]
    rows: list[list[Any]]

    def records(self) -> list[dict[str, Any]]:
        """Rows by column; tags of the series among them."""
        return [self.tags | dict(zip(self.columns, row, strict=True)) for row in self.rows]


class Influxql:
    """Asks one InfluxDB; from any number of threads."""

    def __init__(self, place: InfluxPlace) -> None:
        self._place = place
        self._headers = {"Accept": "application/json"}
        if place.token:
            self._headers["Authorization"] = f"Token {place.token}"
        self._pool = urllib3.PoolManager(
            maxsize=16,
            retries=False,
            timeout=urllib3.Timeout(connect=CONNECT_S, read=READ_S),
            ca_certs=place.ca_file,
        )

    def ask(self, bucket: str, statement: str, *, change: bool = False) -> list[Answer]:
        """The series of one statement's answer, times in ns.

        Raises `BucketMissing`, `StatementRefused` if the server does not answer it for another reason,
        `StoreUnavailable` for any other trouble.
        `change`: the statement changes something, which InfluxDB takes by POST only.
        """
        fields = {"db": bucket, "q": statement, "epoch": "ns"}
        got = self._answered("POST" if change else "GET", "/query", fields=fields)
        try:
            return _series(json.loads(got), f"{self._place.url} has no bucket {bucket}, or we may not read it")
        except (ValueError, KeyError, TypeError, AttributeError) as error:
            raise StoreUnavailable(f"{self._place.url} answers something else than JSON: {said(got)}") from error

    def api(self, method: str, path: str, content: Mapping[str, Any]) -> Any:  # noqa: ANN401 - JSON
        """A request to InfluxDB 2's own API, `content` in the address of a GET, else as JSON; the answer's JSON.

        Raises `StatementRefused` if the server does not answer it, as one that has no such API; `StoreUnavailable`.
        """
        how = {"fields": content} if method == "GET" else {"json": content}
        got = self._answered(method, f"/api/v2/{path}", **how)
        try:
            return json.loads(got)
        except ValueError as error:
            raise StatementRefused(f"{self._place.url} answers no JSON to {path}: {said(got)}") from error

    def metrics(self) -> str:
        """The server's figures of itself as Prometheus reads them. Raises as `ask` does."""
        return self._answered("GET", "/metrics").decode("utf-8", "replace")

    def _answered(self, method: str, path: str, **content: Any) -> bytes:  # noqa: ANN401 - as the library takes it
        try:
            got = self._pool.request(method, f"{self._place.url}{path}", headers=self._headers, **content)
        except urllib3.exceptions.HTTPError as error:
            raise StoreUnavailable(f"{self._place.url} cannot be reached: {plain(error)}") from error
        if 400 <= got.status < 500:
            raise StatementRefused(f"{self._place.url} answers {got.status}: {said(got.data)}")
        if got.status != 200:
            raise StoreUnavailable(f"{self._place.url} answers {got.status}: {said(got.data)}")
        return got.data

    def ping(self) -> None:
        """Raise `StoreUnavailable` unless the server answers. Whether it would take a question is not asked."""
        try:
            got = self._pool.request("GET", f"{self._place.url}/ping", headers=self._headers, timeout=PING_S)
        except urllib3.exceptions.HTTPError as error:
            raise StoreUnavailable(f"{self._place.url} cannot be reached: {plain(error)}") from error
        if got.status >= 500:
            raise StoreUnavailable(f"{self._place.url} answers {got.status}: {said(got.data)}")

    def close(self) -> None:
        """Close the connections."""
        self._pool.clear()


def quoted(text: str) -> str:
    """A string of InfluxQL."""
    return "'" + text.replace("\\", "\\\\").replace("'", "\\'") + "'"


def name(text: str) -> str:
    """An identifier of InfluxQL."""
    return '"' + text.replace("\\", "\\\\").replace('"', '\\"') + '"'


def said(body: bytes | str | None) -> str:
    """What the server said, on one short line."""
    text = body.decode("utf-8", "replace") if isinstance(body, bytes) else body or ""
    try:
        parsed = json.loads(text)
        text = str(parsed.get("error") or parsed.get("message") or text) if isinstance(parsed, dict) else text
    except ValueError:
        text = text.partition("<title>")[2].partition("</title>")[0] or text  # a proxy's page
    return " ".join(text.split())[:300]


def plain(error: Exception) -> str:
    """What went wrong, without the names of connections and classes."""
    return str(error).rpartition(": ")[2][:200] or type(error).__name__


def _series(answer: Any, missing: str) -> list[Answer]:  # noqa: ANN401 - JSON
    out: list[Answer] = []
    for result in answer["results"]:
        if "error" in result:
            if "database not found" in result["error"]:
                raise BucketMissing(missing)
            raise StatementRefused(f"InfluxDB says: {result['error']}")
        out += [
            Answer(series.get("tags", {}), series["columns"], series.get("values", []))
            for series in result.get("series", [])
        ]
    return out
