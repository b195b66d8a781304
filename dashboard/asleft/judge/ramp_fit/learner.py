"""What the judge learns of lag and ramps while it goes, to start the next fit well. Small, serialisable."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import astuple, dataclass, field
from typing import Protocol

import numpy as np
from asleft.judge.features import Stroke
from asleft.judge.intake.intake import resolution
from asleft.judge.medians import mean_of
from asleft.judge.noise import LAGS, CommandNoise, SharedNoise, Tone, WireDensity, WireNoise, find_tone, shows_tones
from asleft.judge.ramp_fit.demand_path import CommandFilter
from asleft.judge.ramp_fit.descent import DELAY, DOWN, LAG, PARAMETERS, SHAPE, UP, Model, Prior
from asleft.judge.ramp_fit.loop_trial import LoopTrial
from asleft.judge.ramp_fit.preparing import FitBudget, Law, Rests
from asleft.judge.ramp_fit.ramps import StrokeFit, fit_stroke, stroke_matrices, without_ramp
from asleft.judge.ramp_fit.response import MIN_RAMP_S, MOST_EQUAL, MOST_SWING, time_constants
from asleft.judge.types import FloatArray


class FitScale(Protocol):
    """The part of a valve's scale a fit needs."""

    @property
    def interval_s(self) -> float:
        """Sample interval."""
        ...

    @property
    def span_a(self) -> float:
        """Current at full minus current at zero, as the sheet has it."""
        ...


#: Dwells without a tone from which it is known that there is none.
_TONELESS = 8.0
#: Share of the span from which a tone (root mean square) may be dither: 3 % peak to peak behind a filter at a seventh
#: of its frequency. Switching ripple leaves less.
_LOUD = 0.0015
_LAG_START_S = 0.02
_LAG_VAR = 0.05**2
_DELAY_VAR = 0.05**2
_SHAPE_VAR = 0.3**2
#: The lag may wander this much (relative) however often it was measured: temperature, filter settings.
_LAG_DRIFT = 0.25
_SHAPE_DRIFT = 0.05
_LEAST_LAG_S = 5e-4
_MOST_DELAY_S = 0.2
#: A ramp known better than this (relative standard uncertainty) is the guess; until then it follows single strokes.
_WELL_KNOWN = 0.02
#: Reduced chi-square up to which a stroke is explained, and no other start of the fit is tried.
_EXPLAINED = 1.5
#: The same of a stroke that may still be that of a loop which overshoots.
_MAY_BE_A_LOOP = 100.0
#: Another start must gain so much chi-square (of five unknowns, one in 5,000) to be believed.
_ANOTHER_STORY = 24.0
#: Least way of a stroke by which its time is divided (share of the command).
_LEAST_WAY = 0.02
#: A ramp so far off the known one (share of it) is a surprise.
_OFF = 0.03
#: Demand this little above where the driver is off may be off too. A reading stands still whose scatter is less than
#: this share of the usual noise, if that is more than this share of the span.
_SAME_AS_OFF, _STILL, _NOISY = 0.01, 0.05, 3e-4
#: Reduced chi-square of a stroke that the model does not explain.
_MISFIT = 4.0


#: After so many dwells the noise is heard in those that begin in every fourth second only: it costs time.
_MANY_DWELLS = 80.0
#: Weight that earlier strokes keep at each new one: the guess rests on the last hundred or so.
_KEEP = 0.99
_START = (0.0, 0.0, _LAG_START_S, 0.0, 0.5)
_START_PRECISION = np.diag([1e-2, 1e-2, 1.0 / _LAG_VAR, 1.0 / _DELAY_VAR, 1.0 / _SHAPE_VAR])


def _nothing() -> list[float]:
    return [0.0] * (PARAMETERS * PARAMETERS)


@dataclass(slots=True)
class Learner:
    """The latest guess of ramps, lag, delay and shape of the lag. `left_up_s`, `left_down_s`: the sheet's, or 0.

    Recursive least squares with forgetting: `information` (25) and `target` (5) are the sums over earlier strokes.
    """

    left_up_s: float
    left_down_s: float
    off_below: float = 0.0  # the driver is off up to this demand
    up_s: float = field(default=-1.0)
    down_s: float = field(default=-1.0)
    lag_s: float = _LAG_START_S
    lag_var: float = _LAG_VAR
    delay_s: float = 0.0
    delay_var: float = _DELAY_VAR
    shape: float = 0.5  # of the lag: 0 one, 1 two equal ones
    shape_var: float = _SHAPE_VAR
    information: list[float] = field(default_factory=_nothing)
    target: list[float] = field(default_factory=lambda: [0.0] * PARAMETERS)
    noise_a: float = 1e-3  # of one current sample, followed from dwells
    resolution_a: float = 0.0  # the current converter's step, 0 while not known
    tone: list[float] = field(default_factory=lambda: [0.0, 0.0])  # of a `Tone`: Hz, 1/Hz^2
    clean_a: float = 0.0  # noise of one current sample without that tone, 0 while none was heard
    toneless: float = 0.0  # dwells in a row that would have shown the tone of dither and did not
    demand_step: float = 0.0  # the command converter's step, share of full, 0 while not known
    command_noise: list[float] = field(default_factory=lambda: [0.0] * 3)  # sums of a `CommandNoise`
    command_filter: list[float] = field(default_factory=lambda: [0.0] * 4)  # sums of a `CommandFilter`

    shared_noise: list[float] = field(default_factory=lambda: [0.0] * (4 + LAGS))  # sums of a `SharedNoise`

    law: list[float] = field(default_factory=list)  # levels of a `Law`

    loop: list[float] = field(default_factory=list)  # of a `LoopTrial`, empty before one began

    fit_budget: list[float] = field(
        default_factory=lambda: list(astuple(FitBudget()))
    )  # of strokes to fit, a `Ration`

    def __post_init__(self) -> None:
        """Begin at the sheet's ramps."""
        if self.up_s < 0:
            self.up_s = max(self.left_up_s, MIN_RAMP_S)
        if self.down_s < 0:
            self.down_s = max(self.left_down_s, MIN_RAMP_S)

    def slowest_s(self) -> tuple[float, float]:
        """Ramp up and ramp down, each the slower of as left and as found."""
        return max(self.left_up_s, self.up_s), max(self.left_down_s, self.down_s)

    def prior(self, interval_s: float) -> Prior:
        """Of lag, delay and shape for the next fit."""
        lag_var = self.lag_var + (_LAG_DRIFT * self.lag_s) ** 2
        delay_var = self.delay_var + interval_s**2 / 4.0
        shape_var = self.shape_var + _SHAPE_DRIFT**2
        return Prior(self.lag_s, lag_var, self.delay_s, delay_var, self.shape, shape_var, self._most_shape())

    def _trial(self) -> LoopTrial | None:
        return LoopTrial.from_row(self.loop) if self.loop else None

    def _most_shape(self) -> float:
        trial = self._trial()
        return MOST_SWING if trial is not None and trial.believed else MOST_EQUAL

    def fit(
        self,
        path_t: Sequence[float],
        path_u: Sequence[float],
        time_s: FloatArray,
        current_a: FloatArray,
        scale: FitScale,
        timing_s: float | None = None,
        rests: Rests | None = None,
        *,
        far: bool = False,
    ) -> StrokeFit:
        """Fit a stroke from what is known; from the data's own rise time too if that tells a different story.

        `timing_s`: interval within which the command's instant is known, the sample interval if not given. `rests`:
        what the dwells before and after the samples say of the two levels. `far`: look far from what is known too.
        """
        prior = self.prior(scale.interval_s)
        base = float(time_s[0])
        shifted = [t - base for t in path_t]
        at_s, values_a, root_weight = (rests or Rests()).joined(time_s, current_a)
        values_a = Law.from_row(self.law).straightened(values_a)
        beside = Tone(*self.tone).columns(at_s - base, root_weight)

        def fit_from(start: FloatArray, *, shared: bool) -> StrokeFit:
            return fit_stroke(
                shifted,
                path_u,
                at_s - base,
                values_a,
                start=start,
                prior=prior,
                noise_a=self.fit_noise_a(),
                interval_s=scale.interval_s if timing_s is None else timing_s,
                shared=shared,
                root_weight=root_weight,
                beside=beside,
                far=far,
            )

        guess = np.array([self.up_s, self.down_s, self.lag_s, self.delay_s, self.shape])
        usual = fit_from(guess, shared=True)
        if usual.chi2 < _MAY_BE_A_LOOP:
            model = Model(shifted, path_u, at_s - base, values_a, root_weight, beside)
            self._ask_for_a_loop(model, guess, scale.interval_s if timing_s is None else timing_s)
        rough = _rough_ramp_s(time_s, current_a, path_t, path_u) if usual.chi2 > _EXPLAINED else None
        ramp = UP if path_u[-1] > path_u[0] else DOWN
        if rough is None or 0.7 * guess[ramp] - 0.03 < rough < 1.4 * guess[ramp] + 0.03:
            return usual
        guess[ramp] = rough
        other = fit_from(guess, shared=False)
        gained = (usual.chi2 - other.chi2) * (values_a.size - PARAMETERS)
        return other if gained > _ANOTHER_STORY * max(other.chi2, 1.0) else usual

    def _ask_for_a_loop(self, model: Model, usual: FloatArray, interval_s: float) -> None:
        """Ask a stroke whether the current overshoots, as long as that is open; if so it is the story from now on."""
        trial = self._trial() or LoopTrial.begun(usual)
        if not trial.open:
            return
        trial = trial.asking(model, usual, self.fit_noise_a(), interval_s)
        self.loop = trial.row()
        if trial.believed:
            self.information, self.target = trial.information.ravel().tolist(), trial.target.tolist()
            self._know(trial.information, trial.target)

    def known_filter(self) -> CommandFilter:
        """What is known of the command reading's filter."""
        return CommandFilter(*self.command_filter)

    def know_filter(self, known: CommandFilter) -> None:
        """Keep what is known of it now."""
        self.command_filter = [known.first, known.cross, known.second, known.steps]

    def fit_noise_a(self) -> float:
        """Noise of one current sample in a fit: without the tone where one is taken out."""
        return self.clean_a if Tone(*self.tone).known() else self.noise_a

    def hears_no_tone(self) -> bool:
        """Whether dither, if there is any, leaves no tone: its aliases stand still, or it is filtered out."""
        return self.toneless >= _TONELESS

    def update_tone(self, time_s: FloatArray, current_a: FloatArray, scale: FitScale, span_a: float) -> None:
        """Follow the tone that aliased dither makes, and the noise beside it, from a settled dwell."""
        known = Tone(*self.tone)
        found = find_tone(time_s, current_a, scale.interval_s, known.frequency_hz if known.known() else None)
        tone = known.followed(found)
        self.tone = [tone.frequency_hz, tone.precision]
        if found is not None or shows_tones(time_s, scale.interval_s):
            loud = found is not None and found.rms_a > _LOUD * span_a
            self.toneless = 0.0 if loud else self.toneless + 1.0
        if found is not None:
            left_a = max(found.left_a, 1e-4 * span_a)
            self.clean_a = left_a if self.clean_a == 0.0 else 0.9 * self.clean_a + 0.1 * left_a

    def update_noise(self, sample_sd_a: float, span_a: float) -> None:
        """Follow the noise of the current from the scatter of a settled dwell."""
        self.noise_a = max(0.9 * self.noise_a + 0.1 * sample_sd_a, 1e-4 * span_a)

    def hear_law(self, demand: float, current_a: float, sample_sd_a: float, span_a: float) -> None:
        """Follow which current belongs to which command, from a settled dwell: not of a driver that is off there.

        Nor of a reading that stands still (at the end of what it can show) where others show noise.
        """
        if self.off_below > 0.0 and demand <= self.off_below + _SAME_AS_OFF:
            return
        if self.noise_a > _NOISY * span_a and sample_sd_a < _STILL * self.noise_a:
            return
        self.law = Law.from_row(self.law).updated(demand, current_a).row()

    def hear_command(self, demand: FloatArray) -> None:
        """Follow noise and converter step of the command from a settled dwell."""
        found = CommandNoise(*self.command_noise).updated(demand)
        self.command_noise = [found.n, found.squares, found.products]
        step = resolution(demand)
        if 0.0 < step < 0.02:
            self.demand_step = step if self.demand_step == 0.0 else min(step, self.demand_step)

    def wire_noise(self, interval_s: float) -> WireNoise:
        """Noise of the command that the driver gets, as far as it can be told."""
        noise, keep = CommandNoise(*self.command_noise), self.known_filter().keep()
        return noise.on_wire(keep) if keep is not None else noise.unfiltered(self.noise_density(interval_s))

    def hear_shared(self, time_s: FloatArray, demand: FloatArray, current_a: FloatArray, scale: FitScale) -> None:
        """Follow what command and current have in common, from a settled dwell."""
        known = SharedNoise.from_row(self.shared_noise)
        if scale.span_a <= 0.0 or (known.dwells > _MANY_DWELLS and int(time_s[0]) % 4):
            return
        tone = Tone(*self.tone).columns(time_s - time_s[0], np.ones(time_s.size))
        self.shared_noise = known.updated(demand, current_a / scale.span_a, scale.interval_s, tone).row()

    def noise_density(self, interval_s: float) -> WireDensity:
        """Density of the noise on the command's wire, from all that shows it."""
        keep = self.known_filter().keep()
        n, squares, products = self.command_noise
        return SharedNoise.from_row(self.shared_noise).on_wire(
            (n, squares / max(n, 1.0), products / max(n, 1.0)),
            interval_s,
            None if keep is None else -interval_s / math.log(keep),
            time_constants(self.lag_s, self.shape),
            self.delay_s,
        )

    def see_step(self, step_a: float, span_a: float) -> None:
        """Take the smallest step between readings of a dwell as the converter's, if it can be one."""
        if 0.0 < step_a < 0.05 * span_a:
            self.resolution_a = step_a if self.resolution_a == 0.0 else min(step_a, self.resolution_a)

    def should_fit(self, now_s: float, *, rising: bool) -> bool:
        """Whether a stroke that ends now is to be fitted; see `preparing`."""
        left = FitBudget(*self.fit_budget).at(now_s)
        self.fit_budget = [left.up, left.down, left.at_s]
        return left.enough(rising=rising)

    def learn(self, stroke: Stroke) -> None:
        """Take a stroke in. One that the model does not explain teaches nothing about lag.

        Nor a ramp where it is shorter than what shows beside the command: noise alone asks for one of any length. And
        a ramp longer than the stroke itself is told by its shape alone, so not where that is not explained.
        """
        took_s = (stroke.to_s - stroke.from_s) / max(stroke.high_demand - stroke.low_demand, _LEAST_WAY)
        longest_s = math.inf if stroke.chi2 < _MISFIT else took_s
        for k, shows_s in enumerate((stroke.identifiable_up_s, stroke.identifiable_down_s)):
            if not shows_s < (stroke.own_up_s, stroke.own_down_s)[k] <= longest_s:
                stroke = without_ramp(stroke, k)
        agrees = stroke.t0 == self.up_s and stroke.t1 == self.down_s
        rising = stroke.to_demand > stroke.from_demand
        left = FitBudget(*self.fit_budget).spent(rising=rising, surprise=self._surprises(stroke))
        self.fit_budget = [left.up, left.down, left.at_s]
        if stroke.active_up_s > 0.02 and stroke.h00 > 0:
            self.up_s = _blend(self.up_s, stroke.own_up_s, stroke.h00)
        if stroke.active_down_s > 0.02 and stroke.h11 > 0:
            self.down_s = _blend(self.down_s, stroke.own_down_s, stroke.h11)
        if stroke.chi2 < _MISFIT and stroke.excluded < 0.5:
            self._add(stroke, agrees=agrees)

    def _surprises(self, stroke: Stroke) -> bool:
        """Whether a stroke is not explained, or shows a ramp 3 % and clearly off what was known."""
        shown = (
            (stroke.active_up_s, stroke.own_up_s - self.up_s, self.up_s, stroke.h00),
            (stroke.active_down_s, stroke.own_down_s - self.down_s, self.down_s, stroke.h11),
        )
        return stroke.chi2 >= _MISFIT or any(
            active_s > 0.02 and abs(off_s) > _OFF * known_s and off_s**2 * information > _ANOTHER_STORY
            for active_s, off_s, known_s, information in shown
        )

    def _add(self, stroke: Stroke, *, agrees: bool) -> None:
        theta, gradient, information = (x[0] for x in stroke_matrices([stroke]))
        h = np.array(self.information).reshape(PARAMETERS, PARAMETERS)
        b = np.array(self.target)
        if not agrees:  # a ramp may have been changed: forget the ramps, keep what is known of the lag beside them
            h, b = _without_ramps(h, b)
        h = _KEEP * h + information
        b = _KEEP * b + information @ theta + gradient
        self.information, self.target = h.ravel().tolist(), b.tolist()
        self._know(h, b)

    def _know(self, h: FloatArray, b: FloatArray) -> None:
        """Take the guess from information (5, 5) and target (5,), and what was known before any stroke."""
        trial = self._trial()
        if trial is not None and trial.believed:
            rest, precision = trial.start[LAG:], trial.precision()
        else:
            rest, precision = np.array(_START[LAG:]), _START_PRECISION
        start = np.array([self.up_s, self.down_s, *rest])
        covariance = np.linalg.inv(h + precision)
        guess = covariance @ (b + precision @ start)
        self.lag_s = max(float(guess[LAG]), _LEAST_LAG_S)
        self.delay_s = float(np.clip(guess[DELAY], -_MOST_DELAY_S, _MOST_DELAY_S))
        self.shape = float(np.clip(guess[SHAPE], 0.0, self._most_shape()))
        self.lag_var, self.delay_var, self.shape_var = (float(covariance[k, k]) for k in (LAG, DELAY, SHAPE))
        if covariance[UP, UP] < (_WELL_KNOWN * guess[UP]) ** 2:
            self.up_s = max(float(guess[UP]), MIN_RAMP_S)
        if covariance[DOWN, DOWN] < (_WELL_KNOWN * guess[DOWN]) ** 2:
            self.down_s = max(float(guess[DOWN]), MIN_RAMP_S)


def _without_ramps(h: FloatArray, b: FloatArray) -> tuple[FloatArray, FloatArray]:
    """Information with both ramps marginalised out (Schur complement), rows and columns of the ramps zero."""
    known = h[LAG:, :LAG] @ np.linalg.inv(h[:LAG, :LAG] + 1e-6 * np.eye(LAG))
    out, target = np.zeros_like(h), np.zeros_like(b)
    out[LAG:, LAG:] = h[LAG:, LAG:] - known @ h[:LAG, LAG:]
    target[LAG:] = b[LAG:] - known @ b[:LAG]
    return out, target


def _blend(old: float, new: float, information: float) -> float:
    """Follow a ramp time quickly but not from one poor stroke: weight 0.5 for a stroke good to 1 %."""
    relative = 1.0 / (np.sqrt(information) * max(new, 1e-3))
    weight = 0.5 / (1.0 + (relative / 0.03) ** 2)
    return float(old + weight * (new - old))


def _rough_ramp_s(
    time_s: FloatArray, current_a: FloatArray, path_t: Sequence[float], path_u: Sequence[float]
) -> float | None:
    """Time over the full span from the 20-80 % crossing of the current, if clearly slower than the command's."""
    size = abs(path_u[-1] - path_u[0])
    if size < 0.05:
        return None
    measured = _crossing_s(time_s, current_a)
    command = _crossing_s(np.asarray(path_t), np.asarray(path_u))
    if measured is None or command is None or measured < 1.15 * command + 0.01:
        return None
    return measured / 0.6 / size


def _crossing_s(time_s: FloatArray, values: FloatArray) -> float | None:
    """From the last sample under 20 % to the first over 80 % of the change between the ends."""
    edge = max(values.size // 12, 1)
    first, last = mean_of(values[:edge]), mean_of(values[-edge:])
    if first == last:
        return None
    share = (values - first) / (last - first)
    above = int((share > 0.8).argmax())
    below = above - int((share[above::-1] < 0.2).argmax())
    if not share[above] > 0.8 or not share[below] < 0.2:
        return None
    return float(time_s[above] - time_s[below])
