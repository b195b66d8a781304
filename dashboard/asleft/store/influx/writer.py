"""Writing to InfluxDB through its client, synchronously: a write that returned is stored.

The client's batching mode is left alone: it drops what it could not write, at the end of the process or after its
retries, without telling the caller.
"""

from __future__ import annotations

from collections.abc import Sequence
from typing import TYPE_CHECKING, NamedTuple, cast

import urllib3
from asleft.store.influx.lines import Lines, all_lines
from asleft.store.influx.place import InfluxPlace
from asleft.store.influx.query import plain, said
from asleft.store.protocols import StoreUnavailable
from influxdb_client.client.influxdb_client import InfluxDBClient
from influxdb_client.client.write_api import SYNCHRONOUS
from influxdb_client.rest import ApiException

if TYPE_CHECKING:
    from influxdb_client.domain.write_precision import WritePrecision

BLOCKS_A_REQUEST = 50
"""About 5,000 points, what InfluxDB's makers advise."""
TIMEOUT_MS = (5_000, 30_000)
_NS = cast("WritePrecision", "ns")  # the client's own names of precisions are plain strings
_REFUSED = frozenset({400, 413, 422})
"""The server understood, and will never take it: points that break its rules, or too many bytes at once."""


class Refusal(NamedTuple):
    """A block that the server will never take: its place in what was to be written, and why."""

    number: int
    why: str


class Writer:
    """Writes lines of blocks into both buckets. For one thread."""

    def __init__(self, place: InfluxPlace) -> None:
        self._place = place
        self._client = InfluxDBClient(
            place.url, token=place.token, org=place.org, timeout=TIMEOUT_MS, ssl_ca_cert=place.ca_file
        )
        self._api = self._client.write_api(write_options=SYNCHRONOUS)
        self.requests = 0
        """Requests sent since the start."""

    def write(self, lines: Sequence[Lines]) -> list[Refusal]:
        """Write all blocks; returns those that the server will never take.

        Raises `StoreUnavailable` for any other trouble.

        A request that is refused is cut into halves, down to the single block that spoils it. Blocks written before
        that are written again: the same points, which overwrite themselves.
        """
        refused: list[Refusal] = []
        for start in range(0, len(lines), BLOCKS_A_REQUEST):
            self._write(lines, start, min(start + BLOCKS_A_REQUEST, len(lines)), refused)
        return refused

    def prove(self) -> None:
        """Write a point of our own to each bucket. Raises `StoreUnavailable` if the server does not take them."""
        for bucket in (self._place.bucket, self._place.overview_bucket):
            why = self._send(bucket, b"asleft_probe ok=1i")
            if why is not None:
                raise StoreUnavailable(f"{self._place.url} does not take what is written to {bucket}: {why}")

    def close(self) -> None:
        """Close the connections."""
        self._client.close()  # type: ignore[no-untyped-call]

    def _write(self, lines: Sequence[Lines], first: int, end: int, refused: list[Refusal]) -> None:
        chunk = lines[first:end]
        why = self._send(self._place.bucket, all_lines([one.raw for one in chunk]))
        if why is None:
            why = self._send(self._place.overview_bucket, all_lines([one.overview for one in chunk]))
        if why is None:
            return
        if end - first == 1:
            self._check_server(why)
            refused.append(Refusal(first, why))
            return
        middle = (first + end) // 2
        self._write(lines, first, middle, refused)
        self._write(lines, middle, end, refused)

    def _check_server(self, why: str) -> None:
        """Make sure that it is the block: a server that refuses our own point as well is not set up as it should.

        Without this, a server that refuses everything would have every block put aside.
        """
        try:
            self.prove()
        except StoreUnavailable as error:
            raise StoreUnavailable(f"{self._place.url} refuses everything: {why}") from error

    def _send(self, bucket: str, body: bytes) -> str | None:
        """None if it is stored, else why the server refuses it."""
        if not body:
            return None
        self.requests += 1
        try:
            self._api.write(bucket, self._place.org, body, write_precision=_NS)
        except ApiException as error:
            why = said(error.body) or str(error.reason)
            if error.status in _REFUSED:
                return why
            raise StoreUnavailable(f"{self._place.url} answers {error.status} for {bucket}: {why}") from error
        except (urllib3.exceptions.HTTPError, OSError) as error:
            raise StoreUnavailable(f"{self._place.url} cannot be reached: {plain(error)}") from error
        return None
