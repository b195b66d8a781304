from __future__ import annotations

import io
import math
import re
from dataclasses import replace
from zoneinfo import ZoneInfo

import pytest
from asleft.cli.coil_line import coil_line
from asleft.cli.ink import Ink, ink_for
from asleft.cli.settings_table import bound, remarks_on
from asleft.cli.strip import position_pct, strip
from asleft.cli.terminal import duration, moment, page
from asleft.judge.types import CoilNow, Verdict
from asleft.sheet.model import Instrument

ANSI = re.compile(r"\x1b\[\d+m")


@pytest.mark.parametrize("width", [50, 60, 72, 80, 100, 110])
@pytest.mark.parametrize("unicode", [True, False])
def test_the_page_fits_its_width(judgement, sheet, width, unicode):
    text = page(judgement, Ink(width=width, unicode=unicode), sheet=sheet, notes=["log.csv: 12 empty cells"])
    assert max(len(line) for line in text.splitlines()) <= width
    assert text.isascii() is not unicode
    assert not any(line != line.rstrip() for line in text.splitlines())


def test_the_sentence_comes_first(judgement, sheet):
    lines = page(judgement, Ink(width=100), sheet=sheet).splitlines()
    assert lines[0] == judgement.sentence
    assert lines[2].startswith("Press 4 platen pressure (press-4.platen), sheet revision 3, status: out of spec")
    assert lines[3] == "2 Mar 2026 08:10:00 UTC and 10 min on, 60000 samples"


def test_every_quantity_findings_states_remarks_and_cautions_are_there(judgement, sheet):
    text = page(judgement, Ink(), sheet=sheet, notes=["log.csv: 12 empty cells"])
    flat = " ".join(text.split())
    assert "ramp up s 1.20 1.55 0.012 ±0.12 +292 % out" in flat
    assert "ramp down s 2.00 – – ±0.2 – not observed" in flat
    assert "ramp down: not slower than 0.800 s; the command never outruns the ramp." in flat
    assert "headroom: no resistance known." in flat
    assert "ramp up changed, since 2 Mar 2026 08:12:10 UTC; see to it this shift" in flat
    assert "All 9 rises take 1.55 s" in flat
    assert "Likely part: driver setting; or driver." in flat
    assert "producing 9 min 11 s 92 % enable channel and moving command" in flat
    assert "stopped" not in flat
    assert "The first ramp after enabling is set aside." in flat
    assert "log.csv: 12 empty cells" in flat
    assert "isolate, lock out, support and bleed" in flat.lower()
    assert "no safety device" in flat


def test_a_consequence_hangs_under_its_cause(judgement, sheet):
    lines = page(judgement, Ink(width=110), sheet=sheet).splitlines()
    cause = next(i for i, line in enumerate(lines) if "ramp up changed" in line)
    consequence = next(i for i, line in enumerate(lines) if "pressure changed" in line)
    assert consequence > cause
    assert "follows from the above" in lines[consequence]
    indent = [len(line) - len(line.lstrip()) for line in (lines[cause], lines[consequence])]
    assert indent[1] > indent[0]


def test_no_finding_is_lost_when_its_cause_is_itself_a_consequence(judgement, sheet):
    first, second = judgement.findings
    third = replace(second, kind="supply-low", consequence_of="pressure-changed", evidence="Third of a chain.")
    round_trip = replace(first, kind="a", consequence_of="b", evidence="One of a ring.")
    back = replace(first, kind="b", consequence_of="a", evidence="Other of a ring.")
    text = page(replace(judgement, findings=(first, second, third, round_trip, back)), Ink(110), sheet=sheet)
    for evidence in ("Third of a chain.", "One of a ring.", "Other of a ring."):
        assert text.count(evidence) == 1


def test_without_instruments_the_page_says_repeatability_only(judgement, sheet):
    assert "repeatability only" in page(judgement, Ink(), sheet=sheet)
    told = replace(judgement, remarks=("Uncertainties are repeatability only.",))
    assert page(told, Ink(), sheet=sheet).count("repeatability only") == 1
    known = replace(sheet, instruments={"current": Instrument(expanded_uncertainty=0.004)})
    assert "repeatability only" not in page(judgement, Ink(), sheet=known)


def test_nothing_found_is_said(judgement, sheet):
    assert "Findings: none." in page(replace(judgement, findings=()), Ink(), sheet=sheet)


def test_an_empty_judgement_still_makes_a_page(judgement, sheet):
    empty = replace(judgement, quantities=(), findings=(), state_hours={}, from_s=None, to_s=None, remarks=())
    text = page(empty, Ink(), sheet=sheet)
    assert "nothing seen" in text
    assert "tolerance" not in text


def marks(line: str) -> str:
    return line[20:]


def test_the_strip_shows_where_each_stands(quantity):
    lines = strip(
        [
            quantity("ramp_up", tolerance_used_pct=0.0, as_found=1.2, uncertainty=0.0),
            quantity("ramp_up", tolerance_used_pct=100.0, as_found=1.32, uncertainty=0.0, verdict=Verdict.UNDECIDED),
            quantity("ramp_up", tolerance_used_pct=-125.0, as_found=1.05, uncertainty=0.0, verdict=Verdict.OUT),
            quantity("ramp_up", tolerance_used_pct=292.0, as_found=1.55, uncertainty=0.0, verdict=Verdict.OUT),
            quantity("ramp_up", as_found=None, tolerance_used_pct=None, verdict=Verdict.NOT_OBSERVED),
        ],
        Ink(width=80),
    )
    half = 8
    assert marks(lines[1])[3 * half] == "●"
    assert marks(lines[2])[5 * half] == "○"
    assert marks(lines[3])[round(0.5 * half)] == "◆"
    assert marks(lines[4])[6 * half] == "▶"
    assert lines[4].endswith("+292 %")
    assert marks(lines[5])[3 * half - 1 : 3 * half + 1] == "╌╌"
    assert not lines[5].rstrip().endswith("%")
    assert "│" in marks(lines[2])


def test_headroom_stands_by_what_of_its_least_is_used(quantity):
    given = {
        "as_left": None,
        "as_found": 13.0,
        "uncertainty": 1.0,
        "tolerance_below": 10.0,
        "tolerance_above": math.inf,
    }
    room = quantity("headroom", unit="%", tolerance_used_pct=-70.0, **given)
    line = strip([room], Ink(width=80))[1]
    assert marks(line).index("●") == 24 - round(0.7 * 16)
    assert line.endswith("−70 %")
    no_limit = quantity("headroom", unit="%", tolerance_used_pct=None, **{**given, "tolerance_below": 0.0})
    assert "●" not in strip([no_limit], Ink(width=80))[1]


def test_the_coil_now_is_one_line(judgement, sheet):
    coil = CoilNow(26.5, 0.2, 111.3, 17.2, "coil voltage", -4.5, -6.2, 95.7, 23.34, 1_764_000_000.0, None, None)
    text = page(replace(judgement, coil=coil), Ink(width=160), sheet=sheet)
    assert "Coil: 26.50 Ω now, the winding at 111 °C ±17 (by coil voltage)." in text
    assert "Clipping begins at 96 °C, or at 23.3 V. By its trend that is on 2025-11-24." in text
    unknown = replace(coil, temperature_degc=None, clips_at_degc=None, clips_from_s=None)
    assert coil_line(unknown, Ink(width=80)) == ["  Coil: 26.50 Ω now (by coil voltage)."]
    assert coil_line(replace(coil, resistance_ohm=None), Ink(width=80)) == []
    assert coil_line(None, Ink(width=80)) == []


def test_whiskers_span_the_uncertainty(quantity):
    line = strip([quantity(tolerance_used_pct=0.0, as_found=1.2, uncertainty=0.06)], Ink(width=80))[1]
    assert marks(line)[16:33] == "├───────●───────┤"  # 50 % of tolerance is 8 cells


@pytest.mark.parametrize("used", [-1e6, -151, -150, -149, 0, 149, 150, 151, 1e6])
@pytest.mark.parametrize("uncertainty", [0.0, 0.001, 0.1, 10.0, 1e6])
def test_no_value_breaks_the_strip(quantity, used, uncertainty):
    found = quantity(tolerance_used_pct=used, as_found=1.2 + 0.0012 * used, uncertainty=uncertainty)
    line = strip([found], Ink(width=80))[1]
    assert len(line) <= 80
    assert line.count("●") + line.count("◀") + line.count("▶") == 1


def test_a_side_that_is_not_judged_has_no_band(quantity):
    lines = strip([quantity("supply_voltage", tolerance_above=float("inf"), tolerance_used_pct=0.0)], Ink(width=80))
    assert "░" in marks(lines[1])[:24]
    assert "░" not in marks(lines[1])[25:]
    lines = strip([quantity("hysteresis", tolerance_below=float("inf"), tolerance_used_pct=0.0)], Ink(width=80))
    assert "░" not in marks(lines[1])[:24]
    assert "░" in marks(lines[1])[25:]


def test_without_a_figure_the_departure_itself_is_drawn(quantity):
    found = quantity("supply_voltage", as_left=24.0, as_found=25.2, tolerance_below=2.4, tolerance_above=float("inf"))
    assert position_pct(replace(found, tolerance_used_pct=None, uncertainty=0.24)) == (
        pytest.approx(50.0),
        pytest.approx(10.0),
    )
    no_side = replace(found, tolerance_below=None, tolerance_above=None, tolerance_used_pct=None)
    assert position_pct(no_side) == (None, 0.0)


def test_bounds_in_words(quantity):
    assert bound(quantity(bound_below=0.8)) == "not slower than 0.800 s"
    assert bound(quantity(bound_above=0.8)) == "not faster than 0.800 s"
    assert bound(quantity("pressure_at_full", bound_above=200.0)) == "above 200.0 bar"
    assert bound(quantity()) == ""


def test_a_bound_the_reason_gives_is_not_given_twice(quantity):
    found = quantity(bound_below=0.8, reason="the command never outruns it; not slower than 0.8 s")
    assert remarks_on([found], Ink()) == ["  ramp up: the command never outruns it; not slower than 0.8 s."]


def test_colour_only_repeats_what_shape_and_words_say(judgement, sheet):
    plain = page(judgement, Ink(), sheet=sheet)
    coloured = page(judgement, Ink(colour=True), sheet=sheet)
    assert "\x1b" not in plain
    assert "\x1b[31m" in coloured
    assert ANSI.sub("", coloured) == plain


class Stream(io.StringIO):
    def __init__(self, encoding: str, terminal: bool) -> None:
        super().__init__()
        self._name, self._terminal = encoding, terminal

    @property
    def encoding(self) -> str:  # type: ignore[override]
        return self._name

    def isatty(self) -> bool:
        return self._terminal


@pytest.mark.parametrize(
    ("encoding", "terminal", "environment", "unicode", "colour"),
    [
        ("utf-8", True, {}, True, True),
        ("utf-8", False, {}, True, False),
        ("utf-8", True, {"NO_COLOR": "1"}, True, False),
        ("utf-8", True, {"TERM": "dumb"}, True, False),
        ("ascii", True, {}, False, True),
        ("latin-1", False, {}, False, False),
        ("no-such-encoding", False, {}, False, False),
    ],
)
def test_ink_suits_the_stream(encoding, terminal, environment, unicode, colour):
    ink = ink_for(Stream(encoding, terminal), environment)
    assert (ink.unicode, ink.colour) == (unicode, colour)
    assert 50 <= ink.width <= 110


@pytest.mark.parametrize(
    ("hours", "text"),
    [
        (0.0, "0 s"),
        (12.5 / 3600, "12.5 s"),
        (59.9 / 3600, "59.9 s"),
        (580 / 3600, "9 min 40 s"),
        (1 / 6, "10 min"),
        (3599.9 / 3600, "1 h"),
        (1.0, "1 h"),
        (3.3333333, "3 h 20 min"),
        (200.0, "200 h"),
    ],
)
def test_durations(hours, text):
    assert duration(hours) == text


def test_times_are_shown_in_the_zone_and_name_it():
    assert moment(1772439130.0, ZoneInfo("Europe/Vienna")) == "2 Mar 2026 09:12:10 CET"
    assert moment(None, ZoneInfo("UTC")) == "an unknown time"
