"""Failed readings are told by valve, channel, number, time and reason, in words and not by codes."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
from asleft.edge.failing import FailingReadings, failing_on, in_room
from asleft.wire.block import Block, Channel, Mark, Reason

S = 1_000_000_000


def block(second: int, *marks: tuple[str, int, Reason], valve: str = "press-1.platen") -> Block:
    channels = tuple(
        Channel(name, "A", values=np.zeros(10), marks=tuple(Mark(0, n, why) for of, n, why in marks if of == name))
        for name in ("command", "current")
    )
    return Block(
        agent="hall-1", valve=valve, stream="", seq=0, boot_id="b", wall_ns=1_700_000_000 * S + second * S,
        monotonic_ns=second * S, clock_synchronised=True, offsets_us=np.arange(10, dtype=np.int32), channels=channels,
    )  # fmt: skip


def test_it_says_which_how_many_since_when_and_why() -> None:
    failing = FailingReadings()
    assert failing.seen(block(0)) == {}
    failing.seen(block(1, ("current", 1, Reason.MISSED_TICK)))
    said = failing.seen(block(2, ("current", 2, Reason.MISSED_TICK), ("command", 3, Reason.NO_ANSWER)))
    assert said == {
        "press-1.platen": "6 readings of all 2 channels could not be used since 2023-11-14 22:13:21 UTC: "
        "nothing was read in time, the instrument gave no usable answer in time"
    }
    assert "missed-tick" not in str(said)


def test_a_path_that_fails_now_and_then_is_told_once_and_ends_after_a_minute_without() -> None:
    failing = FailingReadings()
    for second in range(0, 300, 30):
        said = failing.seen(block(second, ("current", 1, Reason.NO_ANSWER)))
        assert failing.seen(block(second + 15)) == said
    assert said["press-1.platen"].startswith("10 readings of current could not be used since 2023-11-14 22:13:20 UTC")
    assert failing.seen(block(330)) == said
    assert failing.seen(block(331)) == {}


def test_one_valve_says_nothing_of_another() -> None:
    failing = FailingReadings()
    failing.seen(block(0, ("current", 1, Reason.NO_ANSWER)))
    said = failing.seen(replace(block(1), valve="press-1.clamp"))
    assert list(said) == ["press-1.platen"]
    assert said["press-1.platen"].startswith("1 reading of current")


def test_what_does_not_fit_is_counted_and_no_sentence_is_cut_in_two() -> None:
    said = ["press-1.platen: a", "press-2.clamp: bb", "press-3.cushion: ccc"]
    assert in_room(said, 500) == "press-1.platen: a; press-2.clamp: bb; press-3.cushion: ccc"
    assert in_room(said, 50) == "press-1.platen: a; press-2.clamp: bb; and 1 more"
    assert in_room(said, 31) == "press-1.platen: a; and 2 more"
    assert in_room(["x" * 40], 20) == "x" * 17 + "..."


def test_it_says_on_which_instrument_readings_fail_as_long_as_there_is_room() -> None:
    failing = {"plc-1": {"press-1.platen": "why", "press-1.clamp": "why"}, "plc-2": {}}
    assert failing_on(failing, 500) == '{"plc-1":["press-1.clamp","press-1.platen"]}'
    assert failing_on(failing, 20) == ""
    assert failing_on({"plc-1": {}}, 500) == ""
