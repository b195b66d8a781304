"""The agent as a whole: samplers, burst pollers, writer and delivery wired together, and its word about itself."""

from __future__ import annotations

import logging
import random
import threading
import time
from collections.abc import Callable, Mapping
from importlib.metadata import PackageNotFoundError, version
from typing import Protocol

from asleft.edge import clock
from asleft.edge.config import AgentConfig
from asleft.edge.delivery import Delivery, Session
from asleft.edge.failing import failing_on, in_room
from asleft.edge.feed_sampler import FeedSampler
from asleft.edge.figures import AgentFigures
from asleft.edge.sampler import BurstPoller, Sampler
from asleft.edge.sampling import Sampling
from asleft.edge.schedule import period_ns
from asleft.edge.spool import Spool
from asleft.edge.uplink import BrokerSession
from asleft.edge.writer import SpoolWriter
from asleft.instruments.feed import Feed
from asleft.wire.block import AgentState
from asleft.wire.limits import MAX_DETAIL_TEXT

logger = logging.getLogger(__name__)

_MEGABYTE = 1024 * 1024
_HANGING_S = 120.0
"""A thread without a sign of life for so long hangs: none of them may wait as long for a device, broker or disk."""
_JOIN_S = 10.0


def own_version() -> str:
    """Version of this distribution; empty if it is not installed."""
    try:
        return version("asleft")
    except PackageNotFoundError:
        return ""


class _Runner(Protocol):
    """What a thread of the agent runs."""

    @property
    def alive_at_s(self) -> float:
        """Its last sign of life (monotonic)."""
        ...

    def run(self) -> None:
        """Work until stopped."""
        ...


class _Part:
    """One thread of the agent. A daemon: a driver that hangs for ever must not keep the process from ending."""

    def __init__(self, name: str, runner: _Runner) -> None:
        self.name, self.runner = name, runner
        self.thread = threading.Thread(target=runner.run, name=name, daemon=True)


def _join(*parts: _Part) -> None:
    until_s = time.monotonic() + _JOIN_S
    for part in parts:
        part.thread.join(max(0.0, until_s - time.monotonic()))


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
        self._samplers: list[Sampler | FeedSampler] = []
        self._pollers: list[BurstPoller] = []
        self._alarmed = False
        self._hanging: set[str] = set()
        for prepared, instrument in ((one, made) for one in config.instruments for made in one.build()):
            if isinstance(instrument, Feed):
                self._samplers.append(
                    FeedSampler(
                        instrument,
                        config.agent,
                        config.sampling.block_s,
                        self._writer.put,
                        self._stop_sampling,
                        self._spool.last_of_sources(),
                    )
                )
                continue
            sampler = Sampler(
                instrument,
                config.agent,
                boot_id,
                period_ns(config.sampling.rate_hz),
                config.sampling.block_size,
                self._writer.put,
            )
            self._samplers.append(sampler)
            if any(form.has_bursts for form in instrument.valves):
                self._pollers.append(BurstPoller(instrument, sampler, prepared.burst_every_s, self._stop_sampling))
        sampling = [_Part(f"sample {part.name}", part) for part in self._threads()]
        sampling += [_Part(f"bursts {part.instrument}", part) for part in self._pollers]
        self._sampling = tuple(sampling)
        self._writing = _Part("spool", self._writer)
        self._sending = _Part("uplink", self._delivery)
        self._parts = (*sampling, self._writing, self._sending)

    def _threads(self) -> list[FeedSampler | Sampling]:
        """What samples, a thread each: all instruments that never block share one."""
        threads: list[FeedSampler | Sampling] = []
        together: list[Sampler] = []
        for sampler in self._samplers:
            if isinstance(sampler, FeedSampler):
                threads.append(sampler)
            elif sampler.never_blocks:
                together.append(sampler)
            else:
                threads.append(Sampling([sampler], self._stop_sampling))
        return [*threads, *([Sampling(together, self._stop_sampling)] if together else [])]

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
        for part in self._parts:
            part.thread.start()

    def stop(self) -> None:
        """Stop reading, keep what was read, say goodbye to the broker; at most 30 s, whatever hangs."""
        self._stop_sampling.set()
        _join(*self._sampling)
        self._stop_writing.set()
        _join(self._writing)
        self._stop_sending.set()
        _join(self._sending)
        left = [part.name for part in self._parts if part.thread.is_alive()]
        if left:
            # What they still hold open closes with the process; what was committed is safe.
            logger.warning("agent %s: ending without waiting longer for: %s", self._config.agent, ", ".join(left))
        else:
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
        self._watch_standstill()
        return [part.name for part in self._parts if not part.thread.is_alive()]

    def hanging_threads(self) -> list[str]:
        """Names of the agent's threads that give no sign of life; each is logged once."""
        now_s = time.monotonic()
        silent = {part.name for part in self._parts if now_s - part.runner.alive_at_s > _HANGING_S}
        for name in sorted(silent - self._hanging):
            logger.error("%s has given no sign of life for %.0f s", name, _HANGING_S)
        self._hanging = silent
        return sorted(silent)

    def healthy(self) -> bool:
        """Whether every part of it is at work, whatever instruments and broker do."""
        return not self.hanging_threads() and all(part.thread.is_alive() for part in self._parts)

    def ready(self) -> bool:
        """Whether blocks are being kept and the broker is there."""
        return self.healthy() and not self._writer.trouble and self._delivery.connected

    def figures(self) -> AgentFigures:
        """How it stands now, as numbers."""
        return AgentFigures(
            agent=self._config.agent,
            version=own_version(),
            instruments=[(sampler.name, sampler.counters) for sampler in self._samplers],
            bursts=sum(poller.taken for poller in self._pollers),
            spool=self._spool.counters(),
            spool_limit_bytes=self._config.spool.size_mb * _MEGABYTE,
            lost_blocks=self._writer.lost,
            connected=self._delivery.connected,
            connections=self._delivery.connections,
            sent_again=self._delivery.go_backs,
            needs_attention=bool(self._delivery.alarm),
        )

    def status(self) -> str:
        """One line for people."""
        waiting = self._spool.counters().unacknowledged
        there = "connected" if self._delivery.connected else "no broker"
        return f"{len(self._config.valves)} valves, {there}, {waiting} blocks wait"

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
            "settings": self._config.digest,
            "rate_hz": f"{self._config.sampling.rate_hz:g}",
            "valves": str(len(self._config.valves)),
            "spool_bytes": str(bytes_used),
            "spool_size_bytes": str(self._config.spool.size_mb * _MEGABYTE),
            "ticks": str(sum(one.ticks for one in counters)),
            "missed_ticks": str(sum(one.missed_ticks for one in counters)),
            "failed_readings": str(sum(one.failed_readings for one in counters)),
            "repeated_readings": str(sum(one.repeated for one in counters)),
            "late_readings": str(sum(one.late for one in counters)),
            "malformed_messages": str(sum(one.malformed for one in counters)),
            "holes": str(sum(one.lost for one in counters)),
            "bursts": str(sum(poller.taken for poller in self._pollers)),
            "blocks_dropped": str(blocks_dropped),
            "bursts_dropped": str(bursts_dropped),
            "blocks_lost": str(self._writer.lost),
            "sent_again": str(self._delivery.go_backs),
            "connections": str(self._delivery.connections),
        }
        alarms = self._alarms()
        if alarms:
            details["alarms"] = in_room(alarms, MAX_DETAIL_TEXT)
        failing = failing_on({one.name: one.counters.failing for one in self._samplers}, MAX_DETAIL_TEXT)
        if failing:
            details["failing_on"] = failing
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
