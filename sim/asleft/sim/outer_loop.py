"""Parameters of a controller that closes the pressure loop outside the driver (`closed_loop` is what it does).

| field | unit | range | source |
|---|---|---|---|
| gain_pct_per_bar | % of command per bar | 0..5 | own choice: 0.2 is a loop gain of 0.4 on 200 bar |
| integral_s | s | 0.02..60 | own choice |
| sample_s | s | 0.002..1 | common practice (programmable controllers: 10-100 ms) |
| feed_forward | share of the level | 0..1 | common practice |
| gauge_noise_bar | bar, rms, of the controller's own reading | 0..20 | own choice |
| load_bar | bar, rms, of the random load | 0..50 | own choice |
| load_time_s | s, its correlation time | 0.05..600 | own choice |
| command_step_pct | % of command, step of its output | 0..5, 0 none | common practice (10-16 bits) |
"""

from __future__ import annotations

from dataclasses import dataclass

_LIMITS: dict[str, tuple[float, float]] = {
    "gain_pct_per_bar": (0.0, 5.0),
    "integral_s": (0.02, 60.0),
    "sample_s": (0.002, 1.0),
    "feed_forward": (0.0, 1.0),
    "gauge_noise_bar": (0.0, 20.0),
    "load_bar": (0.0, 50.0),
    "load_time_s": (0.05, 600.0),
    "command_step_pct": (0.0, 5.0),
}


@dataclass(frozen=True, slots=True)
class OuterLoop:
    """A PI controller with feed-forward round one valve (see the table above)."""

    gain_pct_per_bar: float = 0.15
    integral_s: float = 0.6
    sample_s: float = 0.02
    feed_forward: float = 0.9
    gauge_noise_bar: float = 0.3
    load_bar: float = 1.5
    load_time_s: float = 3.0
    command_step_pct: float = 0.025

    def __post_init__(self) -> None:
        for name, (low, high) in _LIMITS.items():
            value = getattr(self, name)
            if not low <= value <= high:
                raise ValueError(f"{name} of an outer loop must lie in {low:g}..{high:g}, not {value!r}")
