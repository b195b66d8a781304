"""Two recorders over one InfluxDB and one ledger: whoever lost its hold between writing and marking marks nothing."""

from __future__ import annotations

import hashlib

import pytest
from asleft.store.influx.place import place_from
from asleft.store.influx.samples import open_influx
from asleft.store.lease_types import LeaseLost
from asleft.store.leases import open_leases
from asleft.wire.block import Gap

LONG_S = 60.0


class Held:
    """What one recorder believes to hold."""

    def __init__(self, leases, name):
        self.leases, self.name, self.now = leases, name, {}

    def take(self, agent):
        survey = self.leases.look(self.name, self.name, LONG_S, self.now.values(), [agent])
        lease = next(one for one in survey.leases if one.agent == agent)
        self.now[agent] = self.leases.take(self.name, lease, LONG_S)

    def holds(self, agents):
        if missing := [agent for agent in agents if agent not in self.now]:
            raise LeaseLost(missing)
        return [self.now[agent] for agent in agents]


@pytest.fixture
def side_by_side(influx, postgres, tmp_path):
    """Two recorders' stores with what each holds."""
    url = postgres.url(str(tmp_path))
    place = place_from(f"{influx.url}/{hashlib.sha256(str(tmp_path).encode()).hexdigest()[:12]}", {})
    leases = open_leases(url)
    held = [Held(leases, name) for name in ("a", "b")]
    stores = [open_influx(place, url, tmp_path / one.name, held_leases=one) for one in held]
    yield list(zip(stores, held, strict=True))
    for store in stores:
        store.close()
    leases.close()


def test_a_paused_recorder_marks_nothing_after_its_agent_was_taken_over(side_by_side, make, monkeypatch):
    (one, ones), (other, others) = side_by_side
    ones.take("edge-1")
    blocks = [make.block(seq) for seq in range(1, 9)]
    assert one.commit(blocks[:3], [], 1)[0].mark == 3
    write = one._writer.write

    def write_and_stand_still(lines):
        """The process is paused after its points are written; meanwhile the other takes over and goes on."""
        refused = write(lines)
        ones.leases.give_up(ones.now.values())
        others.take("edge-1")
        assert other.commit(blocks[3:6], [], 2)[0].mark == 6
        return refused

    monkeypatch.setattr(one._writer, "write", write_and_stand_still)
    with pytest.raises(LeaseLost, match="edge-1"):
        one.commit(blocks[3:8], [Gap("edge-1", "spool-1", 9, 20, "lost")], 3)
    monkeypatch.undo()
    (mark,) = other.marks()
    assert (mark.mark, mark.declared_gap) == (6, 0)
    assert [ref.seq for ref in other.refs_after("press-1.platen", {}, 100)] == [1, 2, 3, 4, 5, 6]
    assert other.commit(blocks[6:], [], 4)[0].mark == 8  # over the points that the first one left
    found = other.blocks_after("press-1.platen", {}, 100)
    assert [ref.seq for ref, _ in found] == [1, 2, 3, 4, 5, 6, 7, 8]
    assert other.samples("press-1.platen", make.t0, make.t0 + 100 * make.s).time_ns.size == 80


def test_agents_side_by_side_do_not_hinder_each_other(side_by_side, make):
    (one, ones), (other, others) = side_by_side
    ones.take("edge-1")
    others.take("edge-2")
    assert one.commit([make.block(1)], [], 1)[0].mark == 1
    assert other.commit([make.block(1, agent="edge-2", stream="spool-2", valve="press-2.platen")], [], 1)[0].mark == 1
    with pytest.raises(LeaseLost) as refused:
        one.commit([make.block(2), make.block(2, agent="edge-2", stream="spool-2")], [], 2)
    assert refused.value.agents == {"edge-2"}
    assert [mark.mark for mark in one.marks()] == [1, 1]


def test_a_hold_that_was_lost_and_won_back_within_a_commit_does_not_cover_it(side_by_side, make, monkeypatch):
    (one, ones), (other, others) = side_by_side
    ones.take("edge-1")
    write = one._writer.write

    def write_and_stand_still(lines):
        refused = write(lines)
        ones.leases.give_up(ones.now.values())
        others.take("edge-1")
        other.commit([make.block(1)], [], 2)
        ones.leases.give_up(others.now.values())
        ones.take("edge-1")
        return refused

    monkeypatch.setattr(one._writer, "write", write_and_stand_still)
    with pytest.raises(LeaseLost):
        one.commit([make.block(1), make.block(2)], [], 3)
