"""How a fault's severity runs over the log: from the first row, as a step, creeping, coming and going, in breaks."""

from __future__ import annotations

import numpy as np
from strangers.ranges import drawn

COURSES = ("first row", "step", "creeping", "comes and goes")


def _pulses(time_s: np.ndarray, begins: np.ndarray, lengths: np.ndarray) -> np.ndarray:
    on = np.zeros(len(time_s), bool)
    for begin, length in zip(begins, lengths, strict=True):
        on[np.searchsorted(time_s, begin) : np.searchsorted(time_s, begin + length)] = True
    return on.astype(float)


def severity(time_s: np.ndarray, course: str, pattern: str, rng: np.random.Generator) -> tuple[np.ndarray, float]:
    """Severity 0 to 1 over the grid, shape (n,), and the onset (s).

    A `pattern` of breaks lies inside what the course allows; creeping grows evenly from the onset to the end.

    Raises:
        ValueError: The course is not known.
    """
    if course not in COURSES:
        raise ValueError(f"unknown course {course!r}")
    end = float(time_s[-1])
    onset = 0.0 if course == "first row" else end * drawn("onset_share", rng)
    if course == "comes and goes":
        onset = end * float(rng.uniform(0.1, 0.2))
        count = int(rng.integers(3, 6))
        pitch = (end - onset) / count
        envelope = _pulses(time_s, onset + pitch * np.arange(count), pitch * rng.uniform(0.35, 0.65, count))
    else:
        envelope = (time_s >= onset).astype(float)
    if pattern == "one minute in three":
        begins = np.arange(onset + (60.0 if end > 240.0 else 20.0), end, 180.0)
        return envelope * _pulses(time_s, begins, np.full(len(begins), 60.0)), float(begins[0])
    if pattern:
        count, shortest, longest = {
            "breaks": (25, 0.05, 0.5),
            "short breaks": (200, 0.01, 0.08),
            "long breaks": (max(4, round((end - onset) / 40.0)), 3.0, min(20.0, 0.1 * end)),
        }[pattern]
        inside = np.flatnonzero(envelope)
        begins = np.sort(time_s[rng.choice(inside, count, replace=False)])
        envelope = envelope * _pulses(time_s, begins, rng.uniform(shortest, longest, count))
        return envelope, float(begins[0])
    if course == "creeping":
        return np.clip((time_s - onset) / (end - onset), 0.0, 1.0), onset
    return envelope, onset
