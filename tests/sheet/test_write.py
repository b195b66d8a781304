"""Writing a sheet and reading it back gives the same sheet, for any sheet that can be."""

from __future__ import annotations

import math
import tomllib
from datetime import UTC, datetime, timedelta

import pytest
from asleft.sheet.model import (
    Characteristic,
    Coil,
    Conditions,
    Instrument,
    MadeBy,
    Revision,
    Sheet,
    Signal,
    SignalKind,
    Tolerance,
    Where,
)
from asleft.sheet.reader import read_sheet
from asleft.sheet.tolerances import default_tolerances
from asleft.sheet.write import sheet_text, toml_value
from hypothesis import given, settings
from hypothesis import strategies as st

number = st.floats(allow_nan=False, allow_infinity=False)
line = st.text(st.characters(exclude_categories=("Cc", "Cs", "Zl", "Zp", "Cn", "Co", "Cf", "Zs")), max_size=30)
size = st.floats(1e-6, 1e3)
tolerance = st.one_of(
    st.builds(Tolerance, size, size), size.map(lambda s: Tolerance(s, s)), size.map(lambda s: Tolerance(math.inf, s))
)


def optional(low: float, high: float) -> st.SearchStrategy[float | None]:
    return st.none() | st.floats(low, high)


def pairs(low: float, high: float) -> st.SearchStrategy[tuple[float, float]]:
    return st.tuples(st.floats(low, high), st.floats(low, high)).filter(lambda p: p[0] < p[1])


@st.composite
def sheets(draw: st.DrawFn) -> Sheet:
    zero, full = draw(pairs(0.01, 5.0))
    low, high = draw(pairs(0.01, 1000.0))
    settings_ = {
        "current_at_zero": zero,
        "current_at_full": full,
        "ramp_up": draw(st.floats(0, 600)),
        "pressure_at_zero": low,
        "pressure_at_full": high,
        "supply_voltage": draw(st.floats(20, 36)),
        "hysteresis": draw(st.floats(0, 50)),
    }
    chosen = draw(st.sets(st.sampled_from(list(settings_)), min_size=1))
    as_left = {key: value for key, value in settings_.items() if key in chosen}
    curve = draw(st.none() | st.just(Characteristic((0.1, 0.9), (5.0, 150.0), (6.0, 150.0))))
    tolerances = default_tolerances(as_left, curve)
    for key in draw(st.sets(st.sampled_from(sorted(as_left)))):
        tolerances[key] = draw(tolerance)
    ends = draw(st.none() | pairs(-1e3, 1e3))
    signal = draw(
        st.sampled_from(
            [
                Signal(SignalKind.MA_4_20, "mA", 4.0, 20.0),
                Signal(SignalKind.V_0_10, "V", 10.0, 0.0, 2.5, MadeBy.CLOSED_LOOP),
                Signal(SignalKind.EXPLICIT, "V", 1.0, 9.0, 0.0, MadeBy.CONTROLLER_RAMPS),
            ]
        )
    )
    return Sheet(
        valve="press-4.platen",
        signal=signal,
        as_left=as_left,
        tolerance=tolerances,
        press=draw(line),
        name=draw(line),
        controls=draw(st.sampled_from(["pressure", "flow"])),
        instruments={
            "current": Instrument(
                draw(st.none() | st.sampled_from(list(Where))),
                draw(optional(1e-6, 10)),
                draw(optional(0.1, 100)),
                *(ends or (None, None)),
            )
        },
        coil=Coil(
            draw(optional(20, 250)),
            draw(optional(9, 20)),
            draw(optional(0, 20)),
            None,
            draw(optional(0.1, 1)),
            draw(optional(0.1, 20)),
        ),
        characteristic=curve,
        conditions=Conditions(
            draw(st.none() | pairs(-40, 150)),
            draw(st.none() | pairs(0, 110)),
            (4, 3),
            (),
            (3,),
            draw(st.none() | pairs(-40, 85)),
        ),
        revision=Revision(
            draw(st.integers(1, 1000)),
            draw(
                st.none()
                | st.integers(0, 6_000_000_000).map(lambda s: datetime(1991, 1, 1, tzinfo=UTC) + timedelta(seconds=s))
            ),
            draw(line),
            draw(line),
        ),
        entered_as_left=dict(as_left),
    )


@given(sheets())
@settings(max_examples=150, deadline=None)
def test_reading_what_was_written_gives_the_same_sheet(sheet):
    assert read_sheet(sheet_text(sheet)) == sheet


def test_a_sheet_in_other_units_comes_back_as_it_was_typed():
    text = """\
[valve]
id = "a"
[signal]
kind = "0-10V"
[as_left]
pressure_at_full = 3000
current_at_full = 920
[tolerance]
pressure_at_full = [-100, 150]
[units]
pressure = "psi"
current = "mA"
temperature = "degF"
[conditions]
oil_temperature = [95, 131]
[instrument.pressure]
expanded_uncertainty = 10
"""
    sheet = read_sheet(text)
    written = tomllib.loads(sheet_text(sheet))
    assert written["as_left"] == {"current_at_full": 920.0, "pressure_at_full": 3000.0}
    again = read_sheet(sheet_text(sheet))
    assert again.entered_as_left == sheet.entered_as_left
    assert again.as_left == sheet.as_left
    assert again.tolerance["pressure_at_full"].above == pytest.approx(sheet.tolerance["pressure_at_full"].above)
    assert again.conditions.oil_temperature_degc == pytest.approx((35.0, 55.0))


@given(st.text(st.characters(exclude_categories=("Cs",))))
def test_any_text_survives_as_a_toml_string(text):
    assert tomllib.loads(f"x = {toml_value(text)}")["x"] == text


@given(number)
def test_any_number_survives_as_a_toml_number(value):
    assert tomllib.loads(f"x = {toml_value(value)}")["x"] == value
