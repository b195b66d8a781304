"""What people type into fields, as values of a sheet, and values of a sheet as they are typed."""

from __future__ import annotations

import math
import re
from collections.abc import Sequence

from asleft.sheet.entries import Entry, Form

Value = str | float | int | list[float] | list[int]


class NotUnderstood(ValueError):  # noqa: N818 - reads as what it says
    """What was typed is none of what is wanted; the message says what."""


def value_of(entry: Entry, text: str) -> Value:
    """The value that `text` (not empty) stands for. Raises `NotUnderstood`."""
    if entry.form in (Form.TEXT, Form.CHOICE):
        return text
    if entry.form is Form.INTEGERS:
        return [_whole(part) for part in _parts(text)]
    if entry.form is Form.NUMBERS:
        return [number_of(part) for part in _parts(text)]
    if entry.form is Form.TOLERANCE:
        return _tolerance(text)
    return number_of(text)


def number_of(text: str) -> float:
    """One finite number; a decimal comma is understood. Raises `NotUnderstood`."""
    if re.fullmatch(r"[+-]?\d{1,3},\d{3}", text):
        raise NotUnderstood(f"{text!r} may be read in two ways: write a point for the decimals, or no comma")
    value = _float(text)
    if not math.isfinite(value):
        raise NotUnderstood(f"{text[:24]!r} is not a number")
    return value


def text_of(entry: Entry, value: object) -> str:
    """A value of a file as it stands in a field; empty for what cannot stand there."""
    if isinstance(value, bool) or value is None:
        return ""
    if isinstance(value, str):
        return value
    if isinstance(value, int | float):
        return f"{value:.10g}"
    if isinstance(value, Sequence):
        parts = [f"{one:.10g}" for one in value if isinstance(one, int | float)]
        return " / ".join(parts) if entry.form is Form.TOLERANCE else " ".join(parts)
    return ""


def _tolerance(text: str) -> float | list[float]:
    parts = re.split(r"\s*/\s*|\s*;\s*|,\s+", text.strip("[] "))
    if len(parts) == 1:
        return number_of(parts[0])
    if len(parts) != 2:
        raise NotUnderstood(f"{text[:24]!r} is neither one number nor two, as -0.1 / 0.2")
    below, above = (_side(part) for part in parts)
    return [below, above]


def _side(text: str) -> float:
    """A number, or inf for a side that is not judged."""
    bare = text.lstrip("+-").lower()
    return math.copysign(math.inf, -1.0 if text.startswith("-") else 1.0) if bare == "inf" else number_of(text)


def _parts(text: str) -> list[str]:
    return [part for part in re.split(r"[\s;]+|,\s+", text.strip("[] ")) if part]


def _whole(text: str) -> int:
    cleaned = text.rstrip(",")
    if not re.fullmatch(r"\d{1,6}", cleaned, re.ASCII):
        raise NotUnderstood(f"{text[:24]!r} is not a whole number")
    return int(cleaned)


def _float(text: str) -> float:
    try:
        return float(text.replace(",", ".") if text.count(",") == 1 and "." not in text else text)
    except ValueError:
        return math.nan
