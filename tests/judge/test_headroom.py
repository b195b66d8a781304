from __future__ import annotations

import math
from dataclasses import fields, replace

import pytest
from asleft.judge.coil.coil import Reference, Resistance, reference_of
from asleft.judge.coil.headroom import Need, Room, estimate_of, headroom_result, lowest_supply, room_of
from asleft.judge.coil_state import DAY_S, CoilDay, nearing, remember_day
from asleft.judge.decide import Estimate
from asleft.judge.driver.clipping import Clip
from asleft.judge.judge import judge_log
from asleft.judge.published import judgement_json, published_quantity
from asleft.judge.types import Verdict
from asleft.sheet.model import Coil, Sheet, Tolerance
from asleft.sim.faults import Fault, FaultKind
from asleft.sim.model import ALL_CHANNELS, default_valve
from coils import R20_OHM, coil_sheet, copper_ohm, warm_dwells
from lanes import START_S, Lane, by_id, causes, record, run

NEED = Need(1.0, 0.05, 0.002)
LEAST = Tolerance(10.0, math.inf)


def seen(ohm: float) -> Resistance:
    return Resistance(ohm, 0.002, 20.0, 0.05, 0.8, 0.0, 100.0, 21, "coil voltage")


def room(sheet: Sheet, *, ohm: float | None = None, supply_v: float | None = 24.0, clip: Clip | None = None) -> Room:
    out = room_of(
        sheet,
        NEED,
        supply_now=None if supply_v is None else (supply_v, 0.05),
        now=None if ohm is None else seen(ohm),
        reference=reference_of(sheet, None),
        clip=clip,
    )
    assert isinstance(out, Room)
    return out


def test_now_and_at_the_corner_by_the_formula() -> None:
    """Closed form: ((V - drop) duty / (R + cable) - dither / 2 - I1) / I1."""
    out = room(coil_sheet(), ohm=copper_ohm(60.0))
    assert out.now is not None
    assert out.corner is not None
    assert out.now.pct == pytest.approx(100 * ((24.0 - 1.2) * 0.97 / (copper_ohm(60.0) + 0.3) - 0.05 - 1.0))
    assert out.corner.pct == pytest.approx(100 * ((21.6 - 1.2) * 0.97 / (copper_ohm(90.0) + 0.3) - 0.05 - 1.0))
    assert out.worst is out.corner
    assert out.now.winding_degc == pytest.approx(60.0)


def test_the_corner_is_what_was_seen_where_that_is_worse() -> None:
    out = room(coil_sheet(), ohm=copper_ohm(120.0), supply_v=20.0)
    assert out.corner is not None
    assert out.corner.winding_degc == pytest.approx(120.0)
    assert out.corner.supply_v == 20.0
    assert out.corner.pct == pytest.approx(out.now.pct if out.now else math.nan)


def test_not_above_the_drivers_own_limit() -> None:
    limited = coil_sheet(coil=Coil(90.0, 21.6, 0.3, 1.2, 0.97, 1.2))
    out = room(limited, ohm=copper_ohm(30.0))
    assert out.now is not None
    assert out.now.pct == pytest.approx(15.0)
    assert out.now.limited_by == "driver"
    assert "the driver's own limit" in estimate_of(out, []).note


def test_a_clipped_current_is_what_there_is() -> None:
    out = room(coil_sheet(), ohm=copper_ohm(60.0), clip=Clip(0.9, 1.0, 1.0, 0.0, 5))
    assert out.now is not None
    assert out.now.pct == pytest.approx(-15.0)


def test_where_clipping_begins_is_where_nothing_is_left() -> None:
    out = room(coil_sheet(), ohm=copper_ohm(60.0))
    assert out.clips_at_degc is not None
    assert out.clips_at_v is not None
    at_temperature = room(coil_sheet(), ohm=copper_ohm(out.clips_at_degc))
    at_supply = room(coil_sheet(), ohm=copper_ohm(60.0), supply_v=out.clips_at_v)
    for there in (at_temperature.now, at_supply.now):
        assert there is not None
        assert there.pct == pytest.approx(0.0, abs=1e-9)


@pytest.mark.parametrize(
    ("given", "supply_v", "words"),
    [
        (coil_sheet(as_left={"current_at_full": 1.0}), 24.0, "no resistance known"),
        (coil_sheet(coil=Coil()), None, "supply not recorded, and no lowest supply in the sheet"),
        (coil_sheet(coil=Coil()), 24.0, "the resistance now is not seen, and the sheet has no hottest winding"),
    ],
)
def test_without_enough_it_says_what_is_missing(given, supply_v, words) -> None:
    supply = None if supply_v is None else (supply_v, 0.0)
    out = room_of(given, NEED, supply_now=supply, now=None, reference=reference_of(given, None), clip=None)
    assert isinstance(out, str)
    assert out.startswith(words)


def test_assumptions_widen_the_uncertainty_and_are_said() -> None:
    blind = coil_sheet(coil=Coil(hot_temperature_degc=90.0, supply_minimum_v=21.6))
    sure, unsure = estimate_of(room(coil_sheet()), []), estimate_of(room(blind), [])
    assert unsure.expanded() > 1.3 * sure.expanded()
    assert "usual values taken for driver drop, largest duty, cable" in unsure.note


def test_uncertainty_follows_from_each_part() -> None:
    """First-order propagation against differences (JCGM 100, 5.1)."""

    def pct(**off: float) -> float:
        volt = 24.0 + off.get("volt", 0.0)
        ohm = copper_ohm(60.0) + off.get("ohm", 0.0)
        drop, duty = 1.2 + off.get("drop", 0.0), 0.97 + off.get("duty", 0.0)
        cable, full = 0.3 + off.get("cable", 0.0), 1.0 + off.get("full", 0.0)
        return 100.0 * ((volt - drop) * duty / (ohm + cable) - 0.05 - full) / full

    parts = {"volt": 0.05, "ohm": seen(1.0).u_ohm, "drop": 0.1, "duty": 0.005, "cable": 0.03, "full": 0.002}
    expected = math.sqrt(sum((pct(**{name: 0.5 * u}) - pct(**{name: -0.5 * u})) ** 2 for name, u in parts.items()))
    out = room(coil_sheet(), ohm=copper_ohm(60.0))
    assert out.now is not None
    assert out.now.u_pct == pytest.approx(expected, rel=0.03)


@pytest.mark.parametrize(
    ("value", "u", "expected", "used"),
    [
        (30.0, 2.0, Verdict.IN, 0.0),
        (15.0, 2.0, Verdict.IN, -50.0),
        (10.5, 2.0, Verdict.UNDECIDED, -95.0),
        (4.0, 2.0, Verdict.OUT, -160.0),
        (-10.0, 0.1, Verdict.OUT, -300.0),
    ],
)
def test_the_verdict_is_against_the_least_with_a_guard_band(value, u, expected, used) -> None:
    out = headroom_result(Estimate(value, 0.0, math.inf, u, note="here"), LEAST)
    assert out.verdict is expected
    assert out.tolerance_used_pct == pytest.approx(used)
    assert out.as_left is None
    assert published_quantity(out).tolerance == (-10.0, None)
    assert out.reason.startswith("here")


def test_an_unseen_headroom_keeps_its_reason_and_its_limit() -> None:
    out = headroom_result("no resistance known", LEAST)
    assert out.verdict is Verdict.NOT_OBSERVED
    assert out.reason == "no resistance known"
    assert out.tolerance_below == 10.0


def test_the_lowest_supply_is_of_production() -> None:
    rows = warm_dwells(12.0)
    assert lowest_supply([rows[0]._replace(supply_v=18.0, producing=0.0), *rows[1:]], 0.1) == (24.0, 0.1)
    assert lowest_supply([d._replace(supply_v=float("nan")) for d in rows], 0.1) is None


def rising(days: int, per_day: float, *, start: float = 70.0) -> list[CoilDay]:
    out: list[CoilDay] = []
    for day in range(days):
        out = remember_day(out, day * DAY_S, start + per_day * day + 0.3 * (-1) ** day, 23.0)
        out = remember_day(out, day * DAY_S + 9000.0, start - 5.0, 23.2)  # the day's hottest and lowest count
    return out


def test_days_keep_the_extremes() -> None:
    (day,) = remember_day(remember_day([], 0.0, 60.0, None), 100.0, None, 22.0)
    assert (day.hottest_degc, day.lowest_v) == (60.0, 22.0)
    assert len(rising(200, 0.1)) == 120


def test_a_rising_temperature_names_the_day_of_clipping_within_the_length_of_history() -> None:
    soon = nearing(rising(21, 1.0), 100.0, 15.0)
    assert soon is not None
    assert soon.what == "winding temperature"
    assert soon.at_s / DAY_S == pytest.approx(30.5, abs=0.5)
    assert soon.earliest_s <= soon.at_s <= soon.latest_s
    assert nearing(rising(21, 1.0), 120.0, 15.0) is None  # further ahead than there is history
    assert nearing(rising(6, 1.0), 80.0, 15.0) is None  # too few days
    assert nearing(rising(21, 0.0), 71.0, 15.0) is None  # no trend
    assert nearing(rising(21, 1.0), None, None) is None
    assert nearing(rising(21, 1.0), 85.0, 15.0) is None  # there already


def test_a_falling_supply_too() -> None:
    days = [CoilDay(k, math.nan, 24.0 - 0.05 * k + 0.01 * (-1) ** k) for k in range(30)]
    soon = nearing(days, 300.0, 22.0)
    assert soon is not None
    assert soon.what == "supply"
    assert soon.at_s / DAY_S == pytest.approx(40.5, abs=1.0)


CORNER = Coil(90.0, 21.6, 0.3, 1.2, 0.97)


@pytest.fixture(scope="module")
def lanes() -> dict[str, Lane]:
    plain = replace(default_valve(), records=(*ALL_CHANNELS, "coil_voltage"))
    near = replace(plain, coil_resistance_ohm=15.8)
    hot = (Fault(FaultKind.COIL_HOT, START_S - 1000.0, 110.0),)
    return record(
        {
            "healthy": plain,
            "near": near,
            "clipping": replace(near, faults=hot),
            "no-voltage": replace(near, faults=hot, records=ALL_CHANNELS),
        },
        duration_s=240.0,
        seed=4,
    )


def judged(lane: Lane):
    left = {**lane.sheet.tolerance, "headroom": LEAST}
    return judge_log(replace(lane.sheet, coil=CORNER, tolerance=left), lane.samples)


def test_a_healthy_valve_shows_its_headroom_and_the_temperature_of_its_winding(lanes) -> None:
    out = judged(lanes["healthy"])
    assert out.findings == ()
    assert by_id(out)["headroom"].verdict is Verdict.IN
    assert out.coil is not None
    assert out.coil.temperature_degc == pytest.approx(lanes["healthy"].recording.truth.coil_degc[1], abs=1.5)
    published = judgement_json(out)["coil"]
    assert published["basis"] == "coil voltage"
    assert published["headroom_now"] > published["headroom_corner"]
    assert published["clipping"]["from"] is None


def test_too_little_headroom_is_found_before_anything_is_clipped(lanes) -> None:
    out = judged(lanes["near"])
    assert causes(out) == {"headroom-low"}
    (finding,) = out.findings
    assert "Clipping begins at" in finding.evidence
    assert finding.severity == 1


@pytest.mark.parametrize(("name", "basis"), [("clipping", "coil voltage"), ("no-voltage", "full saturation")])
def test_headroom_of_a_clipped_current_hangs_under_that(lanes, name, basis) -> None:
    out = judged(lanes[name])
    assert causes(out) == {"current-clipped"}
    (low,) = (f for f in out.findings if f.kind == "headroom-low")
    assert low.consequence_of == "current-clipped"
    assert out.coil is not None
    assert out.coil.basis == basis
    assert out.coil.temperature_degc == pytest.approx(lanes[name].recording.truth.coil_degc[1], abs=6.0)
    assert out.coil.headroom_now_pct is not None
    assert out.coil.headroom_now_pct < 0.0


@pytest.mark.parametrize("name", ["clipping", "no-voltage"])
def test_coil_and_headroom_do_not_depend_on_where_the_samples_are_cut(lanes, name) -> None:
    lane = lanes[name]
    sheet = replace(lane.sheet, coil=CORNER, tolerance={**lane.sheet.tolerance, "headroom": LEAST})
    whole = run(sheet, lane.samples, (lane.samples.time_s.size,)).judgement
    cut = run(sheet, lane.samples, (977, 211, 3, 1500), through_text=True).judgement
    assert whole.coil is not None
    assert cut.coil is not None
    for field in fields(whole.coil):
        one, other = getattr(whole.coil, field.name), getattr(cut.coil, field.name)
        assert other == (pytest.approx(one, rel=1e-9) if isinstance(one, float) else one), field.name
    assert by_id(cut)["headroom"].as_found == pytest.approx(by_id(whole)["headroom"].as_found, rel=1e-9)


def test_a_reference_of_eleven_ohm_is_what_the_sheet_says() -> None:
    assert reference_of(coil_sheet(), None) == Reference(R20_OHM, 0.025, measured=False)
