"""The recorder's process: starts its parts, looks after them, says how it is, and stops cleanly."""

from __future__ import annotations

import logging
import threading
import time
from collections.abc import Mapping, Sequence
from contextlib import ExitStack
from functools import partial
from pathlib import Path
from typing import Any

from asleft.monitoring.service_manager import ServiceManager
from asleft.recorder.admission import Admission
from asleft.recorder.agent_limits import Limits
from asleft.recorder.broker_link import BrokerAccess, BrokerLink
from asleft.recorder.clocks import Clocks
from asleft.recorder.expected_boxes import ExpectedBoxes
from asleft.recorder.growth import Growth
from asleft.recorder.health import (
    EVERY_S,
    JUDGING,
    RECORDER,
    agent_health,
    health_source,
    program_version,
    recorder_health,
    refusal_alarms,
)
from asleft.recorder.hearing import Hearing, name_at_broker
from asleft.recorder.ingest import QUEUE_MESSAGES, Ingest
from asleft.recorder.judge_child import JudgeChild, stop_together
from asleft.recorder.lease_core import LEASE_S
from asleft.recorder.metrics import RecorderFigures
from asleft.recorder.multi_recorder import MultiRecorder
from asleft.recorder.outage import Outage
from asleft.recorder.quarantine import Quarantine
from asleft.recorder.watchdog import Watchdog
from asleft.store.bindings import open_bindings
from asleft.store.opening import EMBEDDED, open_chosen, shared
from asleft.store.protocols import ClockChange, RecordStore, SampleStore, StoreUnavailable
from asleft.store.records import RECORDS_FILE, open_records
from asleft.store.retention import Retention
from asleft.wire.topics import ALL_BLOCKS, ALL_STATES
from sqlalchemy.exc import SQLAlchemyError

log = logging.getLogger(__name__)

MAINTAIN_EVERY_S = 0.5
HANGING_S = 300.0
"""A writer that has worked on one batch for so long, without the store refusing it, hangs."""


class Recorder:
    """All parts of a recorder over one data folder. `run` works until `stop`."""

    def __init__(
        self,
        data_dir: Path,
        host: str,
        port: int,
        *,
        client_id: str = "asleft-recorder",
        access: BrokerAccess | None = None,
        judge_module: str | None = None,
        samples: str = EMBEDDED,
        retention: Retention | None = None,
        records: Path | str | None = None,
        lease_s: float = LEASE_S,
        judging_processes: int = 1,
        first_come: bool = True,
        limits: Limits | None = None,
        boxes: ExpectedBoxes | None = None,
        place: str = "",
    ) -> None:
        """Open the stores: in the data folder, or where `samples` (an InfluxDB) and `records` (a PostgreSQL) say.

        Over an InfluxDB and a PostgreSQL other recorders may work too, each under a `client_id` of its own: they
        share the agents, and a dead one's are in other hands within `lease_s`. Of `judging_processes` the first
        judges all valves, the others help with those that are far behind. `first_come`: a valve that nobody has
        bound belongs to the first agent that sends it; `limits` are those of each agent, `boxes` the
        settings that they should run. `place`: the options that lead a command to the same stores.

        Raises:
            FolderInUse: another recorder works there.
            NameTaken: another recorder is at work under `client_id`.
            BadPlace: `samples` is neither, or its token cannot be had.
            OSError: a file of `access` cannot be used.
        """
        records = data_dir / RECORDS_FILE if records is None else records
        several = shared(samples, records)
        # First, so that nothing is open yet if a file of `access` cannot be used.
        topics = [ALL_STATES] if several else [ALL_BLOCKS, ALL_STATES]
        access = access or BrokerAccess()
        self.link = BrokerLink(host, port, client_id, topics, access, clean=several)
        self._hearing = Hearing(self.link, name_at_broker(access.name(), client_id), time.monotonic)
        self.link.on_own = self._hearing.heard
        self._name = client_id if several else None
        self._boxes = boxes
        self._stopping = threading.Event()
        self.multi_recorder = (
            MultiRecorder(str(records), client_id, data_dir, self.link, self._hearing, lease_s) if several else None
        )
        leasing = None if self.multi_recorder is None else self.multi_recorder.leasing
        with ExitStack() as undo:
            if self.multi_recorder is not None:
                undo.callback(self.multi_recorder.stop)
            self._samples: SampleStore = open_chosen(samples, data_dir, records, retention or Retention(), leasing)
            undo.callback(self._samples.close)
            self._records: RecordStore = open_records(records)
            undo.callback(self._records.close)
            self._quarantine = Quarantine(data_dir)
            undo.callback(self._quarantine.close)
            self._bindings = open_bindings(records)
            undo.callback(self._bindings.close)
            if found := self._bindings.adopt(self._samples.feeds(), time.time_ns()):
                log.warning("%d stored valves are bound to the agents that sent them last: asleft agents list", found)
            if leasing is not None:
                leasing.join(self._stopping)
            undo.pop_all()
        self._admission = Admission(
            self._bindings,
            first_come=first_come,
            wall_ns=time.time_ns,
            monotonic_s=time.monotonic,
            limits=limits,
            place=place,
        )
        self.clocks = Clocks(self._records.clock_changes())
        self.ingest = Ingest(
            self._samples,
            self._quarantine,
            self.link,
            clocks=self.clocks,
            keep_clock_changes=self._keep_clock_changes,
            owning=leasing,
            admission=self._admission,
        )
        if self.multi_recorder is not None:
            self.multi_recorder.bind(self.ingest, self._samples, self._records)
        child = partial(JudgeChild, data_dir, judge_module, samples, records, self._name)
        self.child = child()
        self._helpers = [child(helping=True) for _ in range(1, judging_processes)]
        self._writer = threading.Thread(target=self.ingest.run, name="writer")
        self._teller = threading.Thread(target=self._tell, name="health", daemon=True)
        self._started_at_ns = time.time_ns()
        self._growth: Growth | None = None
        self._watchdog = Watchdog(time.monotonic())
        self._judging: Mapping[str, Any] = {}  # the latest row of the judging process
        self._store_bytes = 0

    def healthy(self) -> bool:
        """Whether its parts are at work, whatever broker and stores do."""
        busy_s = self.ingest.busy_since_s
        hangs = busy_s is not None and time.monotonic() - busy_s > HANGING_S
        return self._writer.is_alive() and not (hangs and not self.ingest.counters.storing_fails)

    def ready(self) -> bool:
        """Whether it hears agents and stores what they send."""
        return self.healthy() and self.link.connected and not self.ingest.counters.storing_fails

    def figures(self) -> RecorderFigures:
        """How it stands now, as numbers."""
        return RecorderFigures(
            recorder=self.link.client_id,
            version=program_version(),
            counters=self.ingest.counters,
            queue=self.ingest.queue_depth(),
            queue_limit=QUEUE_MESSAGES,
            connected=self.link.connected,
            connections=self.link.reconnects,
            agents=dict(self.ingest.agents),
            marks=self.ingest.marks(),
            store_bytes=self._store_bytes,
            judging=self._judging,
            judging_alive=self.child.alive(),
        )

    def _keep_clock_changes(self, changes: Sequence[ClockChange]) -> None:
        holds = (
            ()
            if self.multi_recorder is None
            else self.multi_recorder.leasing.holds({change.agent for change in changes})
        )
        try:
            self._records.put_clock_changes(changes, holds)
        except SQLAlchemyError as error:
            raise StoreUnavailable(f"corrections of clocks could not be kept: {error}") from error

    def stop(self) -> None:
        """Make `run` return; may be called from a signal handler."""
        self._stopping.set()

    def run(self) -> int:
        """Record until `stop`; the exit code: 0, or 1 if the writer ended by itself."""
        self._writer.start()
        self.link.start(self.ingest)
        if self.multi_recorder is not None:
            self.multi_recorder.start(self._stopping)
        self._teller.start()
        manager = ServiceManager()
        manager.ready("recording")
        while not self._stopping.wait(MAINTAIN_EVERY_S):
            self.link.maintain()
            self._hearing.maintain()
            for child in (self.child, *self._helpers):
                child.maintain()
            if self.ingest.reconnect_wanted.is_set():
                self.ingest.reconnect_wanted.clear()
                self.link.restart()
            if not self._writer.is_alive():
                log.critical("the writer has ended by itself; stopping, so that the service can be started again")
                break
            if self.healthy():
                manager.alive("recording" if self.ready() else "waiting for the broker or the stores")
        manager.stopping()
        return self._shut_down()

    def _shut_down(self) -> int:
        writer_ended = not self._writer.is_alive()
        self._stopping.set()
        self.ingest.stop()
        self._writer.join()  # what is queued is stored and acknowledged while the connection is still up
        self.link.stop()
        stop_together([self.child, *self._helpers])
        self._teller.join()
        if self.multi_recorder is not None:
            self.multi_recorder.stop()  # only now: what was stored is acknowledged, and what was judged is committed
        self._quarantine.close()
        self._bindings.close()
        self._records.close()
        self._samples.close()
        log.info("stopped")
        return 1 if writer_ended else 0

    def _tell(self) -> None:
        """Write the rows of health until stopped, and a last one then."""
        counted, counted_s = 0, time.monotonic()
        told: dict[str, int] = {}
        writing = Outage(log, "the figures of the recorder cannot be written", time.monotonic)
        while True:
            last = self._stopping.wait(EVERY_S)
            now_s = time.monotonic()
            blocks = self.ingest.counters.blocks
            rate = (blocks - counted) / max(now_s - counted_s, 1e-3)
            counted, counted_s = blocks, now_s
            try:
                self._write_health(rate, told)
            except (SQLAlchemyError, OSError) as error:
                last = last or self._stopping.wait(writing.failed(str(error)))
            else:
                writing.over()
            if last:
                return

    def _about_store(self, before: Mapping[str, Any]) -> dict[str, Any]:
        """What the store says of itself, with its sizes of the last day; `before`: our row as it was."""
        said = dict(self._samples.about())
        if self._growth is None:
            store = before.get("store")
            self._growth = Growth(store.get("sizes") if isinstance(store, Mapping) else None)
        if isinstance(size := said.get("folder_bytes"), int):
            said["sizes"] = self._growth.seen(time.time_ns(), size)
        return said

    def _write_health(self, blocks_per_s: float, told: dict[str, int]) -> None:
        if self._boxes is not None:
            self._boxes.look(time.monotonic())
        marks = self.ingest.marks()
        owns = list(self.ingest.agents) if self.multi_recorder is None else self.multi_recorder.leasing.owned()
        for agent in told.keys() - set(owns):
            del told[agent]  # should it come back, it is told anew
        for agent, (state, heard_ns) in list(self.ingest.agents.items()):
            if agent in owns and told.get(agent) != heard_ns:
                clock = self.clocks.states.get(agent)
                expected = None if self._boxes is None else self._boxes.expected(agent)
                self._records.put_health(agent_health(state, heard_ns, marks, clock, self._name, expected))
                told[agent] = heard_ns
        heard = {agent: said for agent, said in list(self.ingest.agents.items()) if agent in owns}
        deaf = self._hearing.trouble()
        alarms = self._watchdog.look(
            time.monotonic(),
            time.time_ns(),
            busy_since_s=self.ingest.busy_since_s,
            connected=self.link.connected,
            agents=heard,
            marks=marks,
            blocks=self.ingest.counters.blocks,
            cause=self.ingest.storing.why or deaf,
        )
        if self.multi_recorder is not None and (idle := deaf or self.multi_recorder.leasing.trouble()):
            alarms.insert(0, f"Recorder {self._name} takes no agents: {idle}")
        elif deaf and not any(deaf in alarm for alarm in alarms):
            alarms.insert(0, f"The recorder cannot work: {deaf}")
        refused = self._admission.standing()
        rows = {row.source: row.details for row in self._records.health()}
        self._judging = judging = rows.get(health_source(JUDGING, self._name), {})
        self._store_bytes = self._samples.size_bytes()
        self._records.put_health(
            recorder_health(
                self.ingest,
                self.link,
                store_bytes=self._store_bytes,
                store=self._about_store(rows.get(health_source(RECORDER, self._name), {})),
                judging=judging,
                judging_alive=self.child.alive(),
                blocks_per_s=blocks_per_s,
                started_at_ns=self._started_at_ns,
                now_ns=time.time_ns(),
                now_s=time.monotonic(),
                alarms=[*alarms, *refusal_alarms(refused)],
                refused=refused,
                recorder=self._name,
                owns=owns,
            )
        )
