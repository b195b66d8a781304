"""The judge's memory of one valve between calls, and its text form. Bounded: minutes of segments, some history."""

from __future__ import annotations

import base64
import dataclasses
import json
import zlib
from dataclasses import dataclass, field
from typing import Any

import numpy as np
from asleft.judge.coil.coil_days import CoilDay
from asleft.judge.coil.coldsoak import SoakCarry, soak_in
from asleft.judge.dither.dither import DitherBurst
from asleft.judge.drift.charting import Warmth
from asleft.judge.drift.charts import Chart, charts_in, charts_out
from asleft.judge.driver.learner import Learner
from asleft.judge.driver.misfit import Misfit
from asleft.judge.driver.reaction import Reaction
from asleft.judge.intake.columns import ROWS, pack_matrix, unpack_matrix
from asleft.judge.intake.intake import Intake
from asleft.judge.intake.scale import Scale
from asleft.judge.intake.states import StateCarry
from asleft.judge.outer.held_levels import HeldLevel
from asleft.judge.packing import pack_rows, unpack_rows
from asleft.judge.segments.features import Dwell, Stroke
from asleft.judge.segments.segments import Carry
from asleft.judge.segments.sliding import SlideCarry
from asleft.judge.types import JUDGE_VERSION, Finding, FloatArray, Part
from asleft.judge.valve.pressure import LevelKey, LevelPressure
from asleft.judge.watching.watch import Stretch, WatchCarry
from asleft.judge.watching.zeros import Zero

_LEVEL = 1  # of deflate; the next ones take twice as long for a per cent


def _empty() -> FloatArray:
    return np.empty((ROWS, 0))


@dataclass(slots=True)
class JudgeState:
    """Everything remembered of one valve under one revision of its sheet."""

    sheet_number: int
    learner: Learner
    horizon_s: float | None  # of producing time that as-found rests on; None: everything (a log)
    budget_years: float = 5.0  # at most one false drift alarm per valve in this many years of production
    scale: Scale | None = None
    waiting: FloatArray = field(default_factory=_empty)  # samples before the scale is known
    rest: FloatArray = field(default_factory=_empty)  # samples not yet averaged (slow ramps)
    tail: FloatArray = field(default_factory=_empty)
    carry: Carry = field(default_factory=Carry)
    slide: SlideCarry = field(default_factory=SlideCarry)  # where an outer loop makes the command
    intake: Intake = field(default_factory=Intake)
    states: StateCarry = field(default_factory=StateCarry)
    reaction: Reaction = field(default_factory=Reaction)
    misfit: Misfit = field(default_factory=Misfit)
    watch: WatchCarry = field(default_factory=WatchCarry)
    clock_s: float = 0.0
    dwells: list[Dwell] = field(default_factory=list)
    strokes: list[Stroke] = field(default_factory=list)
    bursts: list[DitherBurst] = field(default_factory=list)
    stretches: list[Stretch] = field(default_factory=list)
    control: dict[LevelKey, LevelPressure] | None = None
    control_until_s: float | None = None  # from dwells up to here `control` was learnt (unix s)
    held_left: list[HeldLevel] = field(default_factory=list)  # where an outer loop makes the command
    curve_left: list[tuple[float, ...]] = field(default_factory=list)  # levels measured when left, see `told`
    charts: dict[str, Chart] = field(default_factory=dict)
    warmth: Warmth = field(default_factory=Warmth)
    point_from_s: float = 0.0  # producing clock at which the open point begins
    hours: dict[str, float] = field(default_factory=dict)
    samples: int = 0
    from_s: float | None = None
    to_s: float | None = None
    failed: list[tuple[float, int, int]] = field(default_factory=list)  # (time, failed readings, all readings)
    missing: dict[str, int] = field(default_factory=dict)
    findings: dict[str, Finding] = field(default_factory=dict)
    began_under: dict[str, str] = field(default_factory=dict)  # finding -> cause it had when first told, "" for none
    gone_s: dict[str, float] = field(default_factory=dict)  # finding -> when it was last seen to be gone
    vented: Zero = field(default_factory=Zero)  # of the pressure reading (bar)
    idle: Zero = field(default_factory=Zero)  # of the current reading (A)
    channels: tuple[str, ...] = ()
    basis: dict[str, str] = field(default_factory=dict)
    last_state: int = 4
    soak: SoakCarry = field(default_factory=SoakCarry)
    coil_days: list[CoilDay] = field(default_factory=list)
    other_lines_hz: list[float] = field(default_factory=list)  # that stood beside the dither in bursts


def dumps(state: JudgeState) -> str:
    """Text form; `loads` gives back an equal state, floats exact.

    JSON: the version to read, the tables each by itself, and all else deflated.
    """
    charts = charts_out(state.charts)
    plain = json.dumps(
        {
            "sheet_number": state.sheet_number,
            "learner": state.learner,
            "horizon_s": state.horizon_s,
            "budget_years": state.budget_years,
            "scale": state.scale,
            "carry": state.carry,
            "slide": state.slide,
            "held_left": state.held_left,
            "intake": state.intake.as_json(),
            "states": state.states,
            "reaction": state.reaction.first,
            "misfit": state.misfit,
            "watch": state.watch.as_json(),
            "clock_s": state.clock_s,
            "bursts": [dataclasses.astuple(b) for b in state.bursts],
            "stretches": state.stretches,
            "control": None
            if state.control is None
            else [[*key, *dataclasses.astuple(level)] for key, level in state.control.items()],
            "control_until_s": state.control_until_s,
            "curve_left": state.curve_left,
            "charts": charts["each"],
            "warmth": dataclasses.astuple(state.warmth),
            "point_from_s": state.point_from_s,
            "hours": state.hours,
            "samples": state.samples,
            "from_s": state.from_s,
            "to_s": state.to_s,
            "failed": state.failed,
            "missing": state.missing,
            "findings": [_finding_out(f) for f in state.findings.values()],
            "began_under": state.began_under,
            "gone_s": state.gone_s,
            "vented": dataclasses.astuple(state.vented),
            "idle": dataclasses.astuple(state.idle),
            "channels": state.channels,
            "basis": state.basis,
            "last_state": state.last_state,
            "soak": state.soak,
            "coil_days": [dataclasses.astuple(day) for day in state.coil_days],
            "other_lines_hz": state.other_lines_hz,
        },
        separators=(",", ":"),
        default=_fields_of,
    )
    return json.dumps(
        {
            "version": JUDGE_VERSION,
            "packed": base64.b64encode(zlib.compress(plain.encode("utf-8"), _LEVEL)).decode("ascii"),
            "waiting": pack_matrix(state.waiting),
            "rest": pack_matrix(state.rest),
            "tail": pack_matrix(state.tail),
            "dwells": pack_rows(state.dwells, len(Dwell._fields)),
            "strokes": pack_rows(state.strokes, len(Stroke._fields)),
            "series": charts["series"],
        }
    )


def loads(text: str) -> JudgeState:
    """State from its text form.

    Raises:
        ValueError: the text was written by another version of the judge.
    """
    outside: dict[str, Any] = json.loads(text)
    if outside["version"] != JUDGE_VERSION:
        raise ValueError(
            f"judge state of version {outside['version']}, this judge is version {JUDGE_VERSION}: judge again"
        )
    raw: dict[str, Any] = json.loads(zlib.decompress(base64.b64decode(outside["packed"])))
    control = raw["control"]
    return JudgeState(
        sheet_number=raw["sheet_number"],
        learner=Learner(**raw["learner"]),
        horizon_s=raw["horizon_s"],
        budget_years=raw["budget_years"],
        scale=Scale(**raw["scale"]) if raw["scale"] else None,
        waiting=unpack_matrix(outside["waiting"]),
        rest=unpack_matrix(outside["rest"]),
        tail=unpack_matrix(outside["tail"]),
        carry=Carry(**raw["carry"]),
        slide=SlideCarry(**raw["slide"]),
        held_left=[HeldLevel(*level) for level in raw["held_left"]],
        intake=Intake.from_json(raw["intake"]),
        states=StateCarry(**raw["states"]),
        reaction=Reaction.from_rows(raw["reaction"]),
        misfit=Misfit(**raw["misfit"]),
        watch=WatchCarry(**raw["watch"]),
        clock_s=raw["clock_s"],
        dwells=[Dwell(*row) for row in unpack_rows(outside["dwells"], len(Dwell._fields))],
        strokes=[Stroke(*row) for row in unpack_rows(outside["strokes"], len(Stroke._fields))],
        bursts=[DitherBurst(*b) for b in raw["bursts"]],
        stretches=[Stretch(**s) for s in raw["stretches"]],
        control=None if control is None else {(k[0], k[1]): LevelPressure(*k[2:]) for k in control},
        control_until_s=raw["control_until_s"],
        curve_left=[tuple(row) for row in raw["curve_left"]],
        charts=charts_in({"each": raw["charts"], "series": outside["series"]}),
        warmth=Warmth(raw["warmth"][0], raw["warmth"][1], raw["warmth"][2], tuple(raw["warmth"][3])),
        point_from_s=raw["point_from_s"],
        hours=raw["hours"],
        samples=raw["samples"],
        from_s=raw["from_s"],
        to_s=raw["to_s"],
        failed=[(f[0], f[1], f[2]) for f in raw["failed"]],
        missing=raw["missing"],
        findings={f["kind"]: _finding_in(f) for f in raw["findings"]},
        began_under=raw["began_under"],
        gone_s=raw["gone_s"],
        vented=Zero(*raw["vented"]),
        idle=Zero(*raw["idle"]),
        channels=tuple(raw["channels"]),
        basis=raw["basis"],
        last_state=raw["last_state"],
        soak=soak_in(raw["soak"]),
        coil_days=[CoilDay(*day) for day in raw["coil_days"]],
        other_lines_hz=raw["other_lines_hz"],
    )


def copy_of(state: JudgeState) -> JudgeState:
    """A state that can be changed without touching the original (lists and small records copied, arrays shared)."""
    return dataclasses.replace(
        state,
        learner=dataclasses.replace(state.learner),
        watch=state.watch.copy(),
        dwells=list(state.dwells),
        strokes=list(state.strokes),
        bursts=list(state.bursts),
        stretches=[dataclasses.replace(s) for s in state.stretches],
        control=None if state.control is None else dict(state.control),
        curve_left=list(state.curve_left),
        charts={k: c.copy() for k, c in state.charts.items()},
        warmth=dataclasses.replace(state.warmth),
        hours=dict(state.hours),
        failed=list(state.failed),
        missing=dict(state.missing),
        findings=dict(state.findings),
        began_under=dict(state.began_under),
        gone_s=dict(state.gone_s),
        vented=dataclasses.replace(state.vented),
        idle=dataclasses.replace(state.idle),
        basis=dict(state.basis),
        soak=state.soak.copy(),
        coil_days=list(state.coil_days),
        other_lines_hz=list(state.other_lines_hz),
    )


def _fields_of(record: Any) -> dict[str, Any]:  # noqa: ANN401 - whichever record json does not know
    """A record as the dict of its fields, not of copies of them as `asdict` would make."""
    return {name.name: getattr(record, name.name) for name in dataclasses.fields(record)}


def _finding_out(finding: Finding) -> dict[str, Any]:
    return {
        "kind": finding.kind,
        "part": finding.part.value,
        "alternatives": [p.value for p in finding.alternatives],
        "onset_s": finding.onset_s,
        "severity": finding.severity,
        "evidence": finding.evidence,
        "consequence_of": finding.consequence_of,
        "quantities": finding.quantities,
    }


def _finding_in(raw: dict[str, Any]) -> Finding:
    return Finding(
        raw["kind"],
        Part(raw["part"]),
        tuple(Part(p) for p in raw["alternatives"]),
        raw["onset_s"],
        raw["severity"],
        raw["evidence"],
        raw["consequence_of"],
        tuple(raw["quantities"]),
    )
