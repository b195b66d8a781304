"""What a recorder does beside others: it records the agents that it holds, and hears of all the others.

Subscriptions follow the holds, agent by agent. MQTT's own shared subscriptions would not do: they deal the messages
of one agent to several recorders, and a mark must be one recorder's. Sessions are clean: for a recorder that is gone
the broker would keep what another one has taken over, and to one that comes back it would send what is not its own.
The agents' spools are what nothing is lost from.
"""

from __future__ import annotations

import logging
import threading
from collections.abc import Iterable, Sequence
from functools import partial
from pathlib import Path

from asleft.recorder.broker_link import BrokerLink
from asleft.recorder.hearing import Hearing
from asleft.recorder.ingest import Ingest
from asleft.recorder.lease_core import LEASE_S
from asleft.recorder.leasing import Leasing, instance_of
from asleft.store.lease_types import Hold
from asleft.store.leases import open_leases
from asleft.store.protocols import RecordStore, SampleStore
from asleft.wire.topics import block_topic
from sqlalchemy.exc import SQLAlchemyError

log = logging.getLogger(__name__)


class MultiRecorder:
    """The leases of one recorder, joined to its connection, its writer and its stores."""

    def __init__(
        self,
        records: str,
        name: str,
        data_dir: Path,
        link: BrokerLink,
        hearing: Hearing,
        lease_s: float = LEASE_S,
    ) -> None:
        """`hearing` proves that the broker delivers to us.

        Raises `SQLAlchemyError` if the records store cannot be opened, `OSError` for the data folder.
        """
        data_dir.mkdir(parents=True, exist_ok=True)
        self._link = link
        self._ingest: Ingest | None = None
        self._samples: SampleStore | None = None
        self._records: RecordStore | None = None
        self._stored: set[str] = set()
        self._leases = open_leases(records)
        self.leasing = Leasing(
            self._leases,
            name,
            instance_of(data_dir),
            known=self._known,
            able=hearing.proved,
            failing=lambda: self._ingest is not None and self._ingest.storing.since_s is not None,
            prove=lambda: None if self._samples is None else self._samples.prove(),
            adopt=self._adopt,
            release=self._release,
            lease_s=lease_s,
        )
        self._thread: threading.Thread | None = None

    def bind(self, ingest: Ingest, samples: SampleStore, records: RecordStore) -> None:
        """Name the writer and the stores; before `start`."""
        self._ingest, self._samples, self._records = ingest, samples, records
        self._stored = {mark.agent for mark in samples.marks()}

    def start(self, stopping: threading.Event) -> None:
        """Look after the leases until `stopping`."""
        self._thread = threading.Thread(target=self.leasing.run, args=(stopping,), name="leases")
        self._thread.start()

    def stop(self) -> None:
        """Give every agent up, so that another recorder may have it at once."""
        if self._thread is not None:
            self._thread.join()
            try:
                self.leasing.leave()
            except (SQLAlchemyError, OSError) as error:
                log.warning("the leases could not be given up, they run out by themselves: %s", error)
        self._leases.close()

    def _known(self) -> Iterable[str]:
        assert self._ingest is not None
        return self._stored.union(list(self._ingest.agents))

    def _adopt(self, holds: Sequence[Hold]) -> None:
        assert self._ingest is not None
        assert self._samples is not None
        assert self._records is not None
        # Read after the leases were taken: whoever had them before can have marked nothing since.
        marks, changes = self._samples.marks(), self._records.clock_changes()
        for hold in holds:
            self._ingest.adopt(
                hold.agent,
                [mark for mark in marks if mark.agent == hold.agent],
                [change for change in changes if change.agent == hold.agent],
                still=partial(self.leasing.stands, hold),
                then=partial(self._link.listen, block_topic(hold.agent)),
            )

    def _release(self, agents: Sequence[str]) -> None:
        assert self._ingest is not None
        for agent in agents:
            self._link.stop_listening(block_topic(agent))
        self._ingest.release(agents)
