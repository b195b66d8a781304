"""Buckets and how long they keep what is in them.

InfluxDB 1 is told by InfluxQL, and makes the buckets (its databases) if they are missing. InfluxDB 2 is told by its
own API, for which a token for the two buckets is enough. To make buckets there, and for anything on InfluxDB 3, an
administrator's token is wanted, which a recorder should not have: there they are made beforehand, on 3 with their
retention (`influx bucket create`, `influxdb3 create database --retention-period`). What the server says it keeps is
shown, wherever it says so.
"""

from __future__ import annotations

import logging
import re
from collections.abc import Callable
from functools import partial
from typing import Any

from asleft.store.influx.block_index import BlockIndex
from asleft.store.influx.buckets import Buckets
from asleft.store.influx.place import InfluxPlace
from asleft.store.influx.query import Influxql, StatementRefused, name
from asleft.store.protocols import StoreUnavailable
from asleft.store.retention import DAY_NS, Retention, days_words
from sqlalchemy.exc import SQLAlchemyError

log = logging.getLogger(__name__)

EVERY_NS = 300 * 1_000_000_000
_PART = re.compile(r"(\d+)([wdhms])")
_SECONDS = {"w": 604_800, "d": 86_400, "h": 3_600, "m": 60, "s": 1}
_NOT_TOLD = "not told by the server"


class Keeping:
    """Buckets and retention of one place."""

    def __init__(
        self, place: InfluxPlace, influxql: Influxql, buckets: Buckets, index: BlockIndex, retention: Retention
    ) -> None:
        self._influxql = influxql
        self._buckets = buckets
        self._index = index
        self._wanted = {place.bucket: retention.raw_days, place.overview_bucket: retention.overview_days}
        self._raw = place.bucket
        self._kept: dict[str, str] = {}
        self._raw_days: float | None = retention.raw_days
        self._prepared = False
        self._next_ns = 0

    def prepare(self) -> None:
        """Once: see that the buckets are there. Raises `StoreUnavailable` if the server does not answer."""
        if self._prepared:
            return
        for bucket in self._wanted:
            if self._buckets.find(bucket) is None and self._policy(bucket) is None:
                self._change(f"CREATE DATABASE {name(bucket)}")
            self._settle(bucket)
        self._prepared = True

    def maintain(self, now_ns: int) -> None:
        """Every few minutes: see that the retention is as configured, and forget where blocks stood that are gone."""
        if not self._prepared or now_ns < self._next_ns:
            return
        self._next_ns = now_ns + EVERY_NS
        try:
            for bucket in self._wanted:
                self._settle(bucket)
            if self._raw_days is not None:
                self._index.forget_before(now_ns - round(self._raw_days * DAY_NS))
        except (StoreUnavailable, SQLAlchemyError) as error:
            log.warning("retention could not be looked after: %s", error)

    def about(self) -> dict[str, Any]:
        """What is kept how long, in words."""
        raw, overview = self._wanted
        return {
            "keeps_raw": self._kept.get(raw, _NOT_TOLD),
            "keeps_overview": self._kept.get(overview, _NOT_TOLD),
        }

    def _settle(self, bucket: str) -> None:
        """Bring one bucket's retention to what is configured, where the server lets us."""
        wanted = self._wanted[bucket]
        told = self._told(bucket)
        if told is None:
            self._kept[bucket] = _NOT_TOLD
            if bucket == self._raw:
                self._raw_days = wanted
            return
        days, change = told
        if wanted is not None and days != wanted:
            try:
                change(max(1, round(wanted * 24)))
            except StatementRefused as error:
                log.info("retention of %s: %s; see that it keeps what it should", bucket, error)
            days, _ = self._told(bucket) or told
        self._kept[bucket] = days_words(days)
        if wanted is not None and (days is None or abs(days - wanted) > 1 / 24):
            self._kept[bucket] += f" (wanted: {wanted:g} days, to be set on the server)"
        if bucket == self._raw:
            self._raw_days = days

    def _told(self, bucket: str) -> tuple[float | None, Callable[[int], None]] | None:
        """Days that the server says it keeps (None: for ever), and how it is told hours; None where it does not say.

        InfluxDB 2 is asked by its own API: its InfluxQL says "for ever" of every bucket.
        """
        if (found := self._buckets.find(bucket)) is not None:
            return found.days, partial(self._buckets.keep, found)
        if (policy := self._policy(bucket)) is None:
            return None
        label, days = policy
        start = f"ALTER RETENTION POLICY {name(label)} ON {name(bucket)} DURATION"
        return days, lambda hours: self._ask_to_change(f"{start} {hours}h")

    def _policy(self, bucket: str) -> tuple[str, float | None] | None:
        """Name and days (None: for ever) of a bucket's default policy; None where the server does not say."""
        try:
            told = self._influxql.ask(bucket, f"SHOW RETENTION POLICIES ON {name(bucket)}")
        except StatementRefused:
            return None
        for series in told:
            for record in series.records():
                if record.get("default"):
                    seconds = sum(int(n) * _SECONDS[unit] for n, unit in _PART.findall(str(record["duration"])))
                    return str(record["name"]), seconds / 86_400 if seconds else None
        return None

    def _change(self, statement: str) -> None:
        try:
            self._ask_to_change(statement)
        except StatementRefused as error:
            log.info("%s: %s; see that the bucket is there and keeps what it should", statement, error)

    def _ask_to_change(self, statement: str) -> None:
        self._influxql.ask("", statement, change=True)
