"""The stretch of straight lines a controller's script is made of, and the script of one stretch of machine time."""

from __future__ import annotations

import random
from collections.abc import Iterator
from typing import NamedTuple

from asleft.sim.cycles import REST_BAR, RIGID_BAR, SWEEP, VERIFICATION, CyclePlan, Step
from asleft.sim.model import ValveModel
from asleft.sim.truth import EMERGENCY, NOT_ENABLED, PRODUCING, SET_UP, STOPPED

#: Meanings of the mode channel: 1 automatic, 2 set-up, 3 automatic and pressing.
MODE_AUTOMATIC, MODE_SET_UP, MODE_PRESSING = 1, 2, 3


class Segment(NamedTuple):
    """Straight lines from where the previous segment ended to `until_s`.

    `command` (demand 0..1) and `load` (bar) go from first to last value; the rest is constant.
    """

    until_s: float
    command0: float
    command1: float
    load0: float
    load1: float
    enable: int
    pump: int
    mode: int
    state: int


class Script:
    """Writes segments for one valve, remembering time and the levels last commanded."""

    def __init__(self, model: ValveModel, start_s: float, rng: random.Random) -> None:
        self.model = model
        self.time_s = start_s
        self.level = 0.0
        self.load_bar = REST_BAR
        self.rng = rng
        self.was_idle = False  # enable or pump was off: a restart comes first

    def come_to_rest(self) -> None:
        """Be as after a long stop: nothing commanded, no pressure, a restart ahead."""
        self.level, self.load_bar, self.was_idle = 0.0, 0.0, True

    def _ramp_s(self, change: float) -> float:
        """Time the controller allows for a change of level: its own ramp's or the driver's as left."""
        if self.model.controller_ramp_s > 0:
            return self.model.controller_ramp_s * abs(change)
        return (self.model.ramp_up_s if change > 0 else self.model.ramp_down_s) * abs(change)

    def move(
        self, level: float, hold_s: float, load_bar: float, contact_s: float, mode: int, state: int, end_s: float
    ) -> Iterator[Segment]:
        """Go to `level` and `load_bar`, stay there for `hold_s` after the ramp; never beyond `end_s`."""
        start_s, from_level, from_load = self.time_s, self.level, self.load_bar
        ramp_s = self._ramp_s(level - from_level)
        own_s = self.model.controller_ramp_s * abs(level - from_level)
        stop_s = min(end_s, start_s + ramp_s + hold_s)
        knots = sorted({min(stop_s, start_s + own_s), min(stop_s, start_s + contact_s), stop_s} - {start_s})

        def along(first: float, last: float, length_s: float, at_s: float) -> float:
            return last if length_s <= 0 else first + (last - first) * min(1.0, (at_s - start_s) / length_s)

        before_s = start_s
        for knot_s in knots:
            yield Segment(
                knot_s,
                along(from_level, level, own_s, before_s),
                along(from_level, level, own_s, knot_s),
                along(from_load, load_bar, contact_s, before_s),
                along(from_load, load_bar, contact_s, knot_s),
                1,
                1,
                mode,
                state,
            )
            before_s = knot_s
        self.level = along(from_level, level, own_s, stop_s)
        self.load_bar = along(from_load, load_bar, contact_s, stop_s)
        self.time_s = stop_s

    def still(
        self, until_s: float, *, level: float, enable: int, pump: int, mode: int, state: int
    ) -> Iterator[Segment]:
        """Hold everything at `level` until `until_s`; without a pump the load falls away."""
        load_bar = REST_BAR if pump else 0.0
        if not pump and self.load_bar > 0 and until_s - self.time_s > 1.0:
            yield Segment(self.time_s + 0.8, level, level, min(self.load_bar, 300.0), 0.0, enable, 0, mode, state)
            self.time_s += 0.8
        if until_s > self.time_s:
            yield Segment(until_s, level, level, load_bar, load_bar, enable, pump, mode, state)
        self.time_s = max(self.time_s, until_s)
        self.level, self.load_bar = level, load_bar

    def _restart(self, end_s: float) -> Iterator[Segment]:
        """Enable with command zero, then the pump, then a moment of rest."""
        if not self.was_idle:
            return
        self.was_idle = False
        yield from self.still(
            min(end_s, self.time_s + 4.0), level=0.0, enable=1, pump=0, mode=MODE_AUTOMATIC, state=STOPPED
        )
        yield from self.still(
            min(end_s, self.time_s + 4.0), level=0.0, enable=1, pump=1, mode=MODE_AUTOMATIC, state=PRODUCING
        )

    def cycle(self, plan: CyclePlan, end_s: float) -> Iterator[Segment]:
        """One cycle of `plan`, cut at `end_s`."""
        for step in plan.steps:
            if self.time_s >= end_s:
                return
            yield from self._step(step, plan.spread, end_s)

    def _step(self, step: Step, spread: float, end_s: float) -> Iterator[Segment]:
        factor = max(0.7, self.rng.gauss(1.0, spread)) if spread else 1.0
        mode = MODE_PRESSING if step.pressing and self.model.pressing_mode else MODE_AUTOMATIC
        yield from self.move(step.level, step.hold_s * factor, step.load_bar, step.contact_s, mode, PRODUCING, end_s)

    def producing(self, end_s: float) -> Iterator[Segment]:
        """Cycles until `end_s`, after a restart if the machine was idle."""
        yield from self._restart(end_s)
        while self.time_s < end_s:
            yield from self.cycle(self.model.cycle, end_s)

    def sweeping(self, end_s: float) -> Iterator[Segment]:
        """A conditioning stroke to full and back, then sweeps 0-100-0 until `end_s`."""
        conditioning = CyclePlan((Step(0.0, 3.0), Step(1.0, 3.0), Step(0.0, 3.0)), spread=0.0)
        yield from self.cycle(conditioning, end_s)
        while self.time_s < end_s:
            yield from self.cycle(SWEEP, end_s)

    def setting_up(self, end_s: float) -> Iterator[Segment]:
        """Jogging by hand: odd levels below half (reduced force), for odd times, against odd loads."""
        yield from self._restart(end_s)
        while self.time_s < end_s:
            load_bar = self.rng.choice((18.0, 35.0, 80.0, RIGID_BAR))
            yield from self.move(
                self.rng.uniform(0.05, 0.45), self.rng.uniform(0.3, 2.5), load_bar, 0.2, MODE_SET_UP, SET_UP, end_s
            )
            if self.time_s < end_s:
                yield from self.move(0.0, self.rng.uniform(0.5, 6.0), REST_BAR, 0.2, MODE_SET_UP, SET_UP, end_s)

    def verifying(self, end_s: float) -> Iterator[Segment]:
        """By hand: two full strokes, then a sweep 0-100-0 %, the valve in control throughout; then at rest."""
        yield from self._restart(end_s)
        for step in VERIFICATION.steps:
            if self.time_s < end_s:
                yield from self.move(
                    step.level, step.hold_s, step.load_bar, step.contact_s, MODE_SET_UP, SET_UP, end_s
                )
        if self.time_s < end_s:
            yield from self.move(0.0, end_s - self.time_s, REST_BAR, 0.2, MODE_SET_UP, SET_UP, end_s)

    def pause(self, end_s: float) -> Iterator[Segment]:
        """A break: command to zero, pump off, the driver stays enabled."""
        yield from self.still(
            min(end_s, self.time_s + 3.0), level=0.0, enable=1, pump=1, mode=MODE_AUTOMATIC, state=PRODUCING
        )
        yield from self.still(end_s, level=0.0, enable=1, pump=0, mode=MODE_AUTOMATIC, state=STOPPED)
        self.was_idle = True

    def stopped(self, end_s: float) -> Iterator[Segment]:
        """Night or weekend: command to zero, pump off, then the driver is no longer enabled."""
        if not self.was_idle and self.time_s < end_s:
            yield from self.pause(min(end_s, self.time_s + 20.0))
        yield from self.still(end_s, level=0.0, enable=0, pump=0, mode=MODE_AUTOMATIC, state=NOT_ENABLED)
        self.was_idle = True

    def emergency(self, end_s: float) -> Iterator[Segment]:
        """Emergency stop: enable and pump drop at once; the command stands for a while before it is cleared."""
        kept_s = min(end_s, self.time_s + self.model.command_kept_s)
        yield from self.still(kept_s, level=self.level, enable=0, pump=0, mode=MODE_AUTOMATIC, state=EMERGENCY)
        yield from self.still(end_s, level=0.0, enable=0, pump=0, mode=MODE_AUTOMATIC, state=EMERGENCY)
        self.was_idle = True
