"""What InfluxDB 2 says of its buckets by its own API, which its InfluxQL does not tell.

Its `SHOW RETENTION POLICIES` answers "for ever" whatever a bucket keeps, and it has no `SHOW STATS`. A token that may
read and write a bucket may ask here about it, and set how long it keeps.
"""

from __future__ import annotations

import re
from collections.abc import Mapping, Sequence
from typing import Any, NamedTuple

from asleft.store.influx.query import Influxql, StatementRefused
from asleft.store.protocols import StoreUnavailable

_DISK = re.compile(r'^storage_shard_disk_size\{.*?bucket="([0-9a-f]+)".*?\} ([0-9.e+]+)$', re.MULTILINE)


class Bucket(NamedTuple):
    """A bucket of InfluxDB 2."""

    number: str
    """Its id."""
    days: float | None
    """How long it keeps, None for ever."""


class Buckets:
    """Asks one InfluxDB about its buckets; from any number of threads."""

    def __init__(self, influxql: Influxql) -> None:
        self._influxql = influxql

    def find(self, name: str) -> Bucket | None:
        """The bucket of that name; None if we may not see it, or where buckets are not known (InfluxDB 1 and 3).

        Raises `StoreUnavailable`.
        """
        try:
            told = self._influxql.api("GET", "buckets", {"name": name})
        except StatementRefused:
            return None
        found = told.get("buckets") if isinstance(told, Mapping) else None
        if not isinstance(found, Sequence) or not found:
            return None
        rules = [rule for rule in found[0].get("retentionRules") or [] if rule.get("type", "expire") == "expire"]
        seconds = sum(int(rule.get("everySeconds") or 0) for rule in rules)
        return Bucket(str(found[0]["id"]), seconds / 86_400 if seconds else None)

    def keep(self, bucket: Bucket, hours: int) -> None:
        """Have it kept so long. Raises `StatementRefused`, `StoreUnavailable`."""
        # 0: in pieces of the length that the server takes for itself; those it had may be too long for what is kept.
        rule: dict[str, Any] = {"type": "expire", "everySeconds": 3600 * hours, "shardGroupDurationSeconds": 0}
        self._influxql.api("PATCH", f"buckets/{bucket.number}", {"retentionRules": [rule]})

    def disk_bytes(self, names: Sequence[str]) -> int | None:
        """Bytes of these buckets on the server's disk, as it last told its metrics; None where it does not tell.

        It looks every ten seconds: what was written before its first look counts as 0.
        """
        try:
            numbers = {bucket.number for name in names if (bucket := self.find(name)) is not None}
            if not numbers:
                return None
            text = self._influxql.metrics()
        except StoreUnavailable:
            return None
        return sum(round(float(size)) for number, size in _DISK.findall(text) if number in numbers)
