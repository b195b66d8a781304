"""Documents without a store: the report of a logger's file, of two before and after, the hand-over of a press."""

from __future__ import annotations

import hashlib
import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from functools import cached_property
from typing import Any, cast

import numpy as np
from asleft.judge.judge import StepOutcome, begin, step
from asleft.judge.published import judgement_json
from asleft.judge.types import ChartPoint, Judgement, QuantityResult, Samples, StateInterval
from asleft.sheet.model import QUANTITY_UNITS, Sheet
from asleft.sheet.names import (
    LABELS,
    decimals_for,
    format_pair,
    format_quantity,
    format_tolerance,
    format_uncertainty,
    unit_symbol,
)
from asleft.store.protocols import RecordStore, SampleReader, SheetRecord, StoredSamples
from asleft.web.csv_text import Csv
from asleft.web.paper import bound, paper
from asleft.web.report.state import FromFile, state_report
from asleft.web.source import Source
from asleft.web.templates import filled, macro
from asleft.web.valve import table as tables
from asleft.web.when import PlantTime, Stretch
from asleft.web.words import NO_VALIDATION, REPORT_NO_VALIDATION
from asleft.wire.block import Burst

DATED_S = 315_532_800.0  # 1980: a logger that counts seconds has not counted so many
UNDATED = "The file's times carry no date: they are seconds, shown as if counted from 1 January 1970."


@dataclass(frozen=True)
class Recording:
    """A file that was judged. `about` says which it is, `readings` in short; `toml` is the sheet as it was read."""

    sheet: Sheet
    toml: str
    samples: Samples
    judgement: Judgement
    about: str
    notes: Sequence[str] = ()
    readings: str = ""

    @property
    def ends_ns(self) -> tuple[int, int]:
        """Time of the first and just after the last reading, unix ns."""
        first, last = float(self.samples.time_s[0]), float(self.samples.time_s[-1])
        return round(first * 1e9), round(last * 1e9) + 1

    def source(self, time: PlantTime) -> Source:
        """What the views read, as of the end of the file."""
        stores = _Stores(self)
        end = self.ends_ns[1]
        return Source(cast("SampleReader", stores), cast("RecordStore", stores), time, lambda: end)


def file_report(recording: Recording, time: PlantTime, made_ns: int, version: str, *, size: str = "a4") -> str:
    """The document of a recording."""
    begins, ends = recording.ends_ns
    undated = recording.samples.time_s[-1] < DATED_S
    told = FromFile(
        about=" ".join([recording.about, *([UNDATED] if undated else []), *(f"{note}." for note in recording.notes)]),
        seconds={name: hours * 3600 for name, hours in recording.judgement.state_hours.items()},
        made_ns=made_ns,
        readings=recording.readings,
    )
    stretch = Stretch(begins, ends)
    text = state_report(recording.source(time), recording.sheet.valve, stretch, version, size=size, told=told)
    return cast("str", text)  # a recording has its sheet


def file_table(recording: Recording, time: PlantTime) -> Csv:
    """The table of settings of a recording."""
    return tables.quantities(recording.source(time), recording.sheet.valve)


class _Stores:
    """Both stores, as far as a report reads them, over one recording."""

    def __init__(self, recording: Recording) -> None:
        self._r = recording
        self._valve = recording.sheet.valve
        self._json = judgement_json(recording.judgement)

    @cached_property
    def _outcome(self) -> StepOutcome:
        """Judged once more for its history, when somebody asks for that."""
        return step(self._r.sheet, begin(self._r.sheet, horizon_s=None), self._r.samples)

    def valves(self) -> list[str]:
        return [self._valve]

    def span(self, valve: str) -> tuple[int, int] | None:
        begins, ends = self._r.ends_ns
        return (begins, ends - 1) if valve == self._valve else None

    def samples(self, valve: str, from_ns: int, to_ns: int) -> StoredSamples:
        time_ns = np.round(self._r.samples.time_s * 1e9).astype(np.int64)
        cut = slice(*np.searchsorted(time_ns, [from_ns, to_ns]).tolist())
        channels = {name: values[cut] for name, values in self._r.samples.channels.items()}
        return StoredSamples(valve, time_ns[cut], channels, {"command": self._r.sheet.signal.unit})

    def bursts(self, valve: str, from_ns: int, to_ns: int) -> list[Burst]:
        return [
            Burst("current", "A", round(one.start_s * 1e9), one.rate_hz, one.current_a)
            for one in self._r.samples.bursts
            if from_ns <= one.start_s * 1e9 < to_ns
        ]

    def sheets(self, valve: str) -> list[SheetRecord]:
        return [one for one in [self.effective_sheet(valve, 0)] if one is not None]

    def sheet_valves(self) -> list[str]:
        return [self._valve]

    def effective_sheet(self, valve: str, at_ns: int) -> SheetRecord | None:
        revision = self._r.sheet.revision
        at_s = revision.at.timestamp() if revision.at is not None else 0.0
        why = revision.why or ""
        by = revision.by or ""
        return SheetRecord(valve, revision.number, round(at_s * 1e9), by, why, self._r.toml, round(at_s * 1e9))

    def judgement(self, valve: str) -> Mapping[str, Any] | None:
        return self._json

    def intervals(self, valve: str, from_ns: int, to_ns: int) -> list[StateInterval]:
        return [one for one in self._outcome.intervals if one.to_s * 1e9 > from_ns and one.from_s * 1e9 < to_ns]

    def points(self, valve: str, quantity: str, from_ns: int, to_ns: int) -> list[ChartPoint]:
        return [p for p in self._outcome.points if p.quantity == quantity and from_ns <= p.at_s * 1e9 < to_ns]

    def backfills(self) -> list[object]:
        return []

    def alarm_events(self, valve: str | None = None, since_ns: int = 0) -> list[object]:
        return []


# Two recordings of a valve, before and after a retune, on paper: what changed, and each of the two as found.


@dataclass(frozen=True, slots=True)
class Difference:
    """One setting before and after. `change` and `uncertainty` (expanded, 95 %) are None where a side lacks it.

    What calibration leaves unsure is the same on both sides and cancels; `uncertainty` is of the change alone.
    """

    quantity: str
    before: float | None
    after: float | None
    change: float | None
    uncertainty: float | None
    why: str

    @property
    def word(self) -> str:
        """What is to be said of it."""
        if self.change is None or self.uncertainty is None:
            return self.why
        return "changed" if abs(self.change) > self.uncertainty else "no change seen"


def differences(before: Sequence[QuantityResult], after: Sequence[QuantityResult]) -> list[Difference]:
    """Setting by setting, in the order of the sheet after."""
    earlier = {one.id: one for one in before}
    return [_difference(earlier.get(one.id), one) for one in after]


def _difference(before: QuantityResult | None, after: QuantityResult) -> Difference:
    first = None if before is None else before.as_found
    if before is None or first is None or after.as_found is None:
        missing = [
            f"{side}: {one.reason or 'not observed'}"
            for side, one in (("before", before), ("after", after))
            if one is not None and one.as_found is None
        ]
        why = "; ".join(missing) or "before: not on that sheet"
        return Difference(after.id, first, after.as_found, None, None, f"not compared ({why})")
    sides = [one.uncertainty if one.change_uncertainty is None else one.change_uncertainty for one in (before, after)]
    unsure = math.hypot(*(math.inf if side is None else side for side in sides))
    return Difference(after.id, first, after.as_found, after.as_found - first, unsure, "")


def before_after_report(
    before: Recording, after: Recording, time: PlantTime, made_ns: int, version: str, *, size: str = "a4"
) -> str:
    """The whole document."""
    lines = differences(before.judgement.quantities, after.judgement.quantities)
    changed = [LABELS[line.quantity] for line in lines if line.word == "changed"]
    title = f"Before and after, {after.sheet.label}"
    front = filled(
        "report/before_after.html",
        title=title,
        head=f"Changed: {', '.join(changed)}." if changed else "No change is seen in any setting.",
        made=f"{time.full(made_ns)}, {time.name}",
        no_validation=REPORT_NO_VALIDATION,
        rows=[row(line) for line in lines],
    )
    documents = [
        (words, file_report(one, time, made_ns, version, size=size))
        for words, one in (("Before, as found", before), ("After, as found", after))
    ]
    return bound(title, f"{title} · asleft {version} · made {time.full(made_ns)}", front, documents, size=size)


def row(line: Difference) -> list[str]:
    """What was found on either side, with digits enough to read off a change that was seen, and the change."""
    seen = line.word == "changed"
    first, last = (
        format_pair(line.quantity, line.before, line.after)
        if seen
        else (format_quantity(line.quantity, line.before), format_quantity(line.quantity, line.after))
    )
    label = LABELS[line.quantity].replace(" ", "\u00a0")
    return [label, first, last, _change(line), format_uncertainty(line.uncertainty), line.word]


def _change(line: Difference) -> str:
    """As fine as what is unsure of it."""
    if line.change is None:
        return "–"
    unsure = format_uncertainty(line.uncertainty).partition(".")[2]
    text = f"{line.change:+.{max(decimals_for(line.quantity, line.change), len(unsure))}f}".replace("-", "−")
    shown = text if text.strip("+−0.") else text[1:]  # a sign before nothing would say that there is something
    return f"{shown} {unit_symbol(QUANTITY_UNITS[line.quantity])}"


# The hand-over pack of a press: every valve's sheet and record in one document behind a list of contents.


@dataclass(frozen=True, slots=True)
class Part:
    """One valve: its sheet as text and read, the document of its record or report, and what that says in a word."""

    sheet: Sheet
    sheet_text: str
    document: str
    outcome: str
    is_record: bool


def handover(press: str, parts: Sequence[Part], time: PlantTime, made_ns: int, version: str, *, size: str) -> str:
    """The whole pack as one HTML document."""
    title = f"Hand-over of {press}"
    made = f"{time.full(made_ns)}, {time.name}"
    rows = [[part.sheet.label, part.sheet.valve, part.outcome] for part in parts]
    front = macro("report/handover.html", "front", title, made, NO_VALIDATION, rows)
    documents: list[tuple[str, str]] = []
    for part in parts:
        name = part.sheet.label
        documents.append((f"{name}: settings sheet", _sheet_page(part, time, version, size)))
        documents.append((f"{name}: {'verification record' if part.is_record else 'as found'}", part.document))
    return bound(title, f"{title} · asleft {version} · made {made}", front, documents, size=size)


def _sheet_page(part: Part, time: PlantTime, version: str, size: str) -> str:
    sheet, at = part.sheet, part.sheet.revision.at
    since = "" if at is None else f", in force since {time.full(round(at.timestamp()) * 10**9)}, {time.name}"
    rows = [
        [LABELS[quantity], format_quantity(quantity, value), format_tolerance(sheet.tolerance[quantity])]
        for quantity, value in sheet.as_left.items()
    ]
    digest = hashlib.sha256(part.sheet_text.encode()).hexdigest()
    body = macro("report/handover.html", "settings", sheet, since, rows, digest)
    foot = f"{sheet.valve} · sheet {sheet.revision.number} · asleft {version}"
    return paper(f"Settings sheet of {sheet.label}", foot, body, size=size)
