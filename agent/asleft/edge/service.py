"""The agent as a whole: samplers, burst pollers, writer and delivery wired together, and its word about itself."""

from __future__ import annotations

import logging
import random
import threading
import time
from collections.abc import Callable, Mapping
from importlib.metadata import PackageNotFoundError, version

from asleft.edge import clock
from asleft.edge.config import AgentConfig
from asleft.edge.delivery import Delivery, Session
from asleft.edge.sampler import BurstPoller, Sampler
from asleft.edge.schedule import period_ns
from asleft.edge.spool import Spool
from asleft.edge.uplink import BrokerSession
from asleft.edge.writer import SpoolWriter
from asleft.wire.block import AgentState
from asleft.wire.limits import MAX_DETAIL_TEXT

logger = logging.getLogger(__name__)

_MEGABYTE = 1024 * 1024
_SILENT_THREAD_S = 60.0
_JOIN_S = 10.0


def own_version() -> str:
    """Version of this distribution; empty if it is not installed."""
    try:
        return version("asleft")
    except PackageNotFoundError:
        return ""


class Agent:
    """One edge box. `start`, then `stop`; both once."""

    def __init__(self, config: AgentConfig) -> None:
        """Opens the spool. Raises `SpoolError`."""
        self._config = config
        self._spool = Spool(config.spool.file, config.agent, config.spool.size_mb * _MEGABYTE)
        self._stop_sampling = threading.Event()
        self._stop_writing = threading.Event()
        self._stop_sending = threading.Event()
        self._writer = SpoolWriter(self._spool, self._stop_writing)
        boot_id = clock.boot_id()
        self._delivery = Delivery(
            self._spool, self._make_session, self.state, self._stop_sending, random.random, boot_id=boot_id
        )
        self._samplers: list[Sampler] = []
        self._pollers: list[BurstPoller] = []
        self._alarmed = False
        for prepared in config.instruments:
            instrument = prepared.build()
            sampler = Sampler(
                instrument,
                config.agent,
                boot_id,
                period_ns(config.sampling.rate_hz),
                config.sampling.block_size,
                self._writer.put,
                self._stop_sampling,
            )
            self._samplers.append(sampler)
            if any(form.has_bursts for form in instrument.valves):
                self._pollers.append(BurstPoller(instrument, sampler, prepared.burst_every_s, self._stop_sampling))
        self._sampling = [threading.Thread(target=part.run, name=f"sample {part.name}") for part in self._samplers]
        self._sampling += [threading.Thread(target=part.run, name="bursts") for part in self._pollers]
        self._writing = threading.Thread(target=self._writer.run, name="spool")
        self._sending = threading.Thread(target=self._delivery.run, name="uplink")

    def start(self) -> None:
        """Begin reading, keeping and sending."""
        logger.info(
            "agent %s: %d valves on %d instruments, %g Hz, stream %s, %d blocks waiting",
            self._config.agent,
            len(self._config.valves),
            len(self._config.instruments),
            self._config.sampling.rate_hz,
            self._spool.stream,
            self._spool.counters().unacknowledged,
        )
        for thread in (self._writing, self._sending, *self._sampling):
            thread.daemon = True  # a driver that hangs for ever must not keep the process from ending
            thread.start()

    def stop(self) -> None:
        """Stop reading, keep what was read, say goodbye to the broker."""
        self._stop_sampling.set()
        for thread in self._sampling:
            thread.join(_JOIN_S)
        self._stop_writing.set()
        self._writing.join(_JOIN_S)
        self._stop_sending.set()
        self._sending.join(_JOIN_S)
        self._spool.close()
        logger.info("agent %s: stopped", self._config.agent)

    def state(self, online: bool) -> AgentState:
        """The agent's word about itself."""
        counters = self._spool.counters()
        return AgentState(
            agent=self._config.agent,
            online=online,
            stream=self._spool.stream,
            highest_seq=counters.highest_seq,
            acknowledged=counters.acknowledged,
            at_ns=clock.wall_ns(),
            version=own_version(),
            details=self._details(counters.bytes_used, counters.blocks_dropped, counters.bursts_dropped),
        )

    def dead_threads(self) -> list[str]:
        """Names of the agent's threads that have ended though they should not have; empty when all is well."""
        silent_s = time.monotonic() - self._delivery.alive_at_s
        if silent_s > _SILENT_THREAD_S:
            # Reading goes on all the same: whatever hangs there, the spool keeps the blocks.
            logger.error("the uplink has given no sign of life for %.0f s", silent_s)
        self._watch_standstill()
        return [thread.name for thread in (self._writing, self._sending, *self._sampling) if not thread.is_alive()]

    def _watch_standstill(self) -> None:
        alarm = self._delivery.alarm
        if alarm and not self._alarmed:
            logger.error("delivery needs attention: %s", alarm)
        elif self._alarmed and not alarm:
            logger.warning("delivery is well again")
        self._alarmed = bool(alarm)

    def _make_session(self, will: bytes, on_ack: Callable[[bytes], None], *, mqtt5: bool) -> Session:
        return BrokerSession(self._config.broker, self._config.agent, will, on_ack, mqtt5=mqtt5)

    def _details(self, bytes_used: int, blocks_dropped: int, bursts_dropped: int) -> Mapping[str, str]:
        counters = [sampler.counters for sampler in self._samplers]
        details = {
            "rate_hz": f"{self._config.sampling.rate_hz:g}",
            "valves": str(len(self._config.valves)),
            "spool_bytes": str(bytes_used),
            "spool_size_bytes": str(self._config.spool.size_mb * _MEGABYTE),
            "ticks": str(sum(one.ticks for one in counters)),
            "missed_ticks": str(sum(one.missed_ticks for one in counters)),
            "failed_readings": str(sum(one.failed_readings for one in counters)),
            "bursts": str(sum(poller.taken for poller in self._pollers)),
            "blocks_dropped": str(blocks_dropped),
            "bursts_dropped": str(bursts_dropped),
            "blocks_lost": str(self._writer.lost),
            "sent_again": str(self._delivery.go_backs),
            "connections": str(self._delivery.connections),
        }
        alarms = "; ".join(self._alarms())
        if alarms:
            details["alarms"] = alarms[:MAX_DETAIL_TEXT]
        return details

    def _alarms(self) -> list[str]:
        alarms = [text for text in (self._writer.trouble, self._delivery.alarm) if text]
        if self._spool.disk_full:
            alarms.append("the disk is full: the spool goes on in the room it has, on its reserve")
        if self._spool.set_aside is not None:
            alarms.append(f"a damaged spool was set aside as {self._spool.set_aside.name}")
        for sampler in self._samplers:
            alarms += [f"{valve}: {why}" for valve, why in sorted(sampler.counters.failing.items())]
            if sampler.counters.faults:
                alarms.append(f"sampling failed {sampler.counters.faults} times, last {sampler.counters.last_fault}")
        return alarms
