"""A state as text and back, and a copy of it that may be changed: from the types of its fields alone.

A new field of any record in `JudgeState` is stored, read and copied without a line here. The fields' types are the
schema: what does not fit them is refused on the way in. Long tables of numbers go apart, packed by columns.
"""

from __future__ import annotations

import base64
import json
import zlib
from collections.abc import Iterable, Iterator
from dataclasses import fields, is_dataclass, replace
from functools import cache
from itertools import islice
from typing import TYPE_CHECKING, Any, TypeVar

import numpy as np
from asleft.judge.features import Dwell, Stroke
from asleft.judge.packing import pack, pack_rows, unpack, unpack_rows
from asleft.judge.state import JudgeState
from asleft.judge.types import JUDGE_VERSION

if TYPE_CHECKING:
    from msgspec.msgpack import Decoder, Encoder

_LEVEL = 1  # of deflate; the next ones take twice as long for a per cent

T = TypeVar("T")


def dumps(state: JudgeState) -> str:
    """Text form; `loads` gives back an equal state, floats exact.

    JSON: the version to read, the tables each by itself, and all else deflated.
    """
    charts = state.charts.values()
    bare = replace(
        state,
        dwells=[],
        strokes=[],
        charts={
            name: replace(chart, points=[], history=[], noise=replace(chart.noise, recent=[]))
            for name, chart in state.charts.items()
        },
    )
    return json.dumps(
        {
            "version": JUDGE_VERSION,
            "packed": base64.b64encode(zlib.compress(_codec()[0].encode(bare), _LEVEL)).decode("ascii"),
            "dwells": pack_rows(state.dwells, len(Dwell._fields)),
            "strokes": pack_rows(state.strokes, len(Stroke._fields)),
            # most quantities have the same times: in one table they cost little
            "lengths": [(len(chart.points), len(chart.history), len(chart.noise.recent)) for chart in charts],
            "points": pack_rows([row for chart in charts for row in chart.points], 3),
            "history": pack_rows([row for chart in charts for row in chart.history], 3),
            "recent": pack_rows([(float(mean),) for chart in charts for mean in chart.noise.recent], 1),
        }
    )


def loads(text: str) -> JudgeState:
    """State from its text form.

    Raises:
        ValueError: the text was written by another version of the judge, or is none of its texts.
    """
    outside: dict[str, Any] = json.loads(text)
    if outside["version"] != JUDGE_VERSION:
        raise ValueError(
            f"judge state of version {outside['version']}, this judge is version {JUDGE_VERSION}: judge again"
        )
    state = _codec()[1].decode(zlib.decompress(base64.b64decode(outside["packed"])))
    state.dwells = [Dwell(*row) for row in unpack_rows(outside["dwells"], len(Dwell._fields))]
    state.strokes = [Stroke(*row) for row in unpack_rows(outside["strokes"], len(Stroke._fields))]
    points, history = (_rows(outside[name], 3) for name in ("points", "history"))
    recent = _rows(outside["recent"], 1)
    for chart, (of_points, of_history, of_recent) in zip(state.charts.values(), outside["lengths"], strict=True):
        chart.points = [(at_s, value, u) for at_s, value, u in islice(points, of_points)]
        chart.history = [(at_s, mean, int(n)) for at_s, mean, n in islice(history, of_history)]
        chart.noise.recent = [mean for (mean,) in islice(recent, of_recent)]
    return state


def copied(value: T) -> T:
    """A copy whose records, lists and tables may be changed; what cannot be changed, and arrays, are shared."""
    if is_dataclass(value) and not isinstance(value, type):
        if value.__dataclass_params__.frozen:  # type: ignore[attr-defined]
            return value
        return replace(value, **{one.name: copied(getattr(value, one.name)) for one in fields(value)})
    if isinstance(value, list):
        return [*_each(value)]  # type: ignore[return-value]
    if isinstance(value, dict):
        return dict(zip(value, _each(value.values()), strict=True))  # type: ignore[return-value]
    return value


def _each(values: Iterable[Any]) -> Iterable[Any]:
    """Copies of some values of one type; the same where none of them can be changed."""
    first = next(iter(values), None)
    changeable = isinstance(first, list | dict) or is_dataclass(first)
    return map(copied, values) if changeable else values


def _rows(text: str, width: int) -> Iterator[list[float]]:
    return iter(unpack_rows(text, width))


def _out(value: Any) -> Any:  # noqa: ANN401 - whatever the library does not know
    if isinstance(value, np.ndarray):
        return value.shape[0], pack(value)
    if isinstance(value, np.generic):
        return value.item()
    raise NotImplementedError(f"a state cannot hold a {type(value).__name__}")


def _in(_kind: object, raw: Any) -> Any:  # noqa: ANN401 - every array is one table of numbers
    columns, text = raw
    return unpack(text, columns)


@cache
def _codec() -> tuple[Encoder, Decoder[JudgeState]]:
    """Both ways; made when first needed, because a file is judged without."""
    from msgspec.msgpack import Decoder, Encoder

    return Encoder(enc_hook=_out), Decoder(JudgeState, dec_hook=_in)
