"""Since when the readings of a valve do not fit its sheet: from then on they end no alarm. Pure."""

from __future__ import annotations

from asleft.judge.types import Fit


def misread_since_ns(fit: Fit) -> int | None:
    """Unix ns; None where the readings fit or nothing can be said."""
    return None if fit.fits is not False else round((fit.since_s or 0.0) * 1e9)
