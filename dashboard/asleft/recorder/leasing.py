"""Holds this recorder's agents beside other recorders: looks at the leases, takes, renews and gives up.

A thread of its own, so that neither a slow commit nor a slow broker keeps leases from being renewed.
"""

from __future__ import annotations

import logging
import threading
import time
import uuid
from collections.abc import Callable, Iterable, Sequence
from pathlib import Path

from asleft.recorder.lease_core import LEASE_S, LeaseCore
from asleft.recorder.outage import Outage
from asleft.store.lease_types import Hold, Lease, LeaseLost, Leases, NameTaken
from sqlalchemy.exc import SQLAlchemyError

log = logging.getLogger(__name__)

INSTANCE_FILE = "recorder.id"
"""File in the data folder that tells its recorder from any other of the same name."""
RETRY_S = 1.0
LONGEST_PAUSE_S = 300.0
"""How long a recorder that had to give up its agents stays away, at the most."""


class Leasing:
    """Which agents are ours. `HeldLeases` for the stores; any thread may ask."""

    def __init__(
        self,
        leases: Leases,
        recorder: str,
        instance: str,
        *,
        known: Callable[[], Iterable[str]],
        able: Callable[[], bool],
        adopt: Callable[[Sequence[Hold]], None],
        release: Callable[[Sequence[str]], None],
        failing: Callable[[], bool] = lambda: False,
        prove: Callable[[], None] = lambda: None,
        lease_s: float = LEASE_S,
        monotonic_s: Callable[[], float] = time.monotonic,
    ) -> None:
        """`known` names agents that were heard of. `able`: whether the broker delivers to us what we must hear.

        `failing`: whether what we have cannot be stored at present. `prove` stores something of our own, and raises
        `OSError` or `SQLAlchemyError` if that cannot be done; it is asked before we take part.

        `adopt` is called after agents were taken, `release` as soon as agents are no longer ours, before another
        recorder is let have them; both from the thread of `run`.
        """
        self.recorder = recorder
        self._leases, self._instance = leases, instance
        self._known, self._able, self._adopt, self._release = known, able, adopt, release
        self._core = LeaseCore(recorder, lease_s)
        self._lease_s = lease_s
        self._monotonic_s = monotonic_s
        self._lock = threading.Lock()
        self._able_s = float("-inf")
        self._since_s = float("-inf")
        self._part = False  # whether we take part: others leave us our share of the agents
        self._failing, self._prove = failing, prove
        self._back_s, self._pause_s = float("-inf"), lease_s
        self._renewing = Outage(log, "leases cannot be renewed", monotonic_s, longest_s=self._core.look_s)

    def holds(self, agents: Iterable[str]) -> list[Hold]:
        """The holds on these agents. Raises `LeaseLost` naming those that are not held."""
        with self._lock:
            now_s = self._monotonic_s()
            found = {agent: self._core.hold(agent, now_s) for agent in agents}
        held = [hold for hold in found.values() if hold is not None]
        if len(held) < len(found):
            raise LeaseLost(agent for agent, hold in found.items() if hold is None)
        return held

    def held(self, agent: str) -> bool:
        """Whether an agent is ours at this moment."""
        with self._lock:
            return self._core.hold(agent, self._monotonic_s()) is not None

    def stands(self, hold: Hold) -> bool:
        """Whether it is still this very hold by which an agent is ours."""
        with self._lock:
            return self._core.hold(hold.agent, self._monotonic_s()) == hold

    def owned(self) -> list[str]:
        """Our agents, sorted."""
        with self._lock:
            return sorted(hold.agent for hold in self._core.holds(self._monotonic_s()))

    def join(self, stopping: threading.Event) -> None:
        """Be a member. Waits for a namesake to run out, which may be our own predecessor on another folder.

        Raises `NameTaken` if the namesake is alive, `SQLAlchemyError` if the store does not answer.
        """
        deadline_s = self._monotonic_s() + self._lease_s
        while True:
            try:
                self._leases.look(self.recorder, self._instance, self._core.hold_s, (), ())
            except NameTaken:
                if self._monotonic_s() > deadline_s or stopping.wait(RETRY_S):
                    raise
            else:
                return

    def trouble(self) -> str:
        """Why we take no agents; empty while we take part, or where nothing is known yet."""
        if self._part:
            return ""
        return self._renewing.why or ("what it had taken could not be stored" if self._back_s > 0.0 else "")

    def run(self, stopping: threading.Event) -> None:
        """Look again and again until `stopping`."""
        while not stopping.is_set():
            try:
                self.turn()
            except (SQLAlchemyError, OSError, NameTaken) as error:
                # What is held runs out by itself; until then we go on.
                stopping.wait(self._renewing.failed(str(error)))
            except Exception as error:  # noqa: BLE001 - said, and tried again: others wait for what we hold
                stopping.wait(self._renewing.failed(str(error), error))
            else:
                self._renewing.over()
                stopping.wait(self._core.look_s)

    def turn(self) -> None:
        """One look, and what follows from it. Raises `NameTaken`, `SQLAlchemyError`, `StoreUnavailable`."""
        now_s = self._monotonic_s()
        failing = self._failing()
        able = not failing and self._able()
        if not self._takes_part(now_s, able=able, failing=failing):
            return
        with self._lock:
            asked_s = self._monotonic_s()
            renewed = self._core.holds(asked_s)
        survey = self._leases.look(self.recorder, self._instance, self._core.hold_s, renewed, self._known())
        with self._lock:
            plan = self._core.plan(survey, renewed, asked_s)
        if gone := [*plan.lost, *(hold.agent for hold in plan.give_up)]:
            log.info("no longer ours: %s", ", ".join(sorted(gone)))
            self._release(gone)
        if plan.give_up:
            self._leases.give_up(plan.give_up)
        taken = self._take(plan.take) if able else []
        if taken:
            self._adopt_or_forget(taken)

    def _takes_part(self, now_s: float, *, able: bool, failing: bool) -> bool:
        """Whether we take part; leaves, or comes back after having proved that it can store."""
        if able:
            self._able_s = now_s
        elif self._part and now_s - self._able_s > self._lease_s:
            # Who cannot record must not keep agents from one who can.
            if failing:  # although it had proved that it can store: lest it take them again and again
                self._back_s = now_s + self._pause_s
                self._pause_s = min(2.0 * self._pause_s, LONGEST_PAUSE_S)
            self.leave()
            return False
        if not self._part:
            if not able or now_s < self._back_s:
                return False
            self._prove()
            self._part, self._since_s = True, now_s
        if able and now_s - self._since_s > LONGEST_PAUSE_S:
            self._pause_s = self._lease_s
        return True

    def _adopt_or_forget(self, taken: Sequence[Hold]) -> None:
        try:
            self._adopt(taken)
        except BaseException:
            with self._lock:
                for hold in taken:
                    self._core.forget(hold.agent)  # the next look takes them again
            raise

    def _take(self, leases: Sequence[Lease]) -> list[Hold]:
        began_s = self._monotonic_s()
        taken: list[Hold] = []
        for lease in leases:
            asked_s = self._monotonic_s()
            if asked_s - began_s > self._core.look_s:
                break  # what we have must be renewed; the others with the next look
            hold = self._leases.take(self.recorder, lease, self._core.hold_s)
            if hold is not None:
                taken.append(hold)
                with self._lock:
                    self._core.taken(hold, asked_s)
                before = f", after {lease.owner}" if lease.owner not in ("", self.recorder) else ""
                log.info("agent %s is ours%s", hold.agent, before)
        return taken

    def leave(self) -> None:
        """Give everything up, so that others need not wait for leases to run out. Raises `SQLAlchemyError`."""
        self._part = False
        with self._lock:
            dropped = self._core.drop()
        if dropped:
            self._release([hold.agent for hold in dropped])
        self._leases.leave(self.recorder, self._instance, dropped)


def instance_of(data_dir: Path) -> str:
    """What tells the recorder of a data folder from others; made when first asked for."""
    path = data_dir / INSTANCE_FILE
    try:
        found = path.read_text(encoding="ascii").strip()
    except FileNotFoundError:
        found = ""
    if not found:
        found = uuid.uuid4().hex
        data_dir.mkdir(parents=True, exist_ok=True)
        path.write_text(found + "\n", encoding="ascii")
    return found[:64]
