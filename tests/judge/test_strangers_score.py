"""The score of the strangers' benchmark, without simulating any: each way to be wrong is caught, and no other."""

from __future__ import annotations

import json
import math
import sys
from collections.abc import Callable
from dataclasses import dataclass, replace
from pathlib import Path
from types import SimpleNamespace

import numpy as np
import pytest
from statsmodels.stats.proportion import proportion_confint

sys.path.insert(0, str(Path(__file__).parent.parent / "bench"))

import strangers_run
from strangers_rows import Drawn, Job, Line, Row, Said, read_rows, row_of, with_judgement, write_rows
from strangers_run import BY_COMMAND, faulty_jobs, healthy_jobs, judge_all, judged
from strangers_score import answer_of, efficiency, marks, says_as_left, share, true_of_the_data, wilson
from strangers_show import shown
from strangers_table import READING_NOISE, changes, goals_of, tables

U_TOLERANCES = 0.2  # expanded uncertainty of the judges below, in tolerances
LEFT = {"current_at_full": (1.0, 0.02), "ramp_up": (1.5, 0.15), "pressure_at_full": (200.0, 4.0)}
KINDS = {
    "current_at_full": "current-full-changed",
    "ramp_up": "ramp-up-changed",
    "pressure_at_full": "pressure-changed",
}

Judge = Callable[[Row, np.random.Generator], Row]


def line(quantity: str = "ramp_up", off: float = 0.0, **values: object) -> Line:
    """Truth: `off` tolerances away all through the log."""
    left, tolerance = LEFT[quantity]
    now = left + off * tolerance
    return replace(
        Line(quantity, "", left, tolerance, tolerance, now, now, now, True, 0.05 * tolerance, ""),
        **values,  # type: ignore[arg-type]
    )


def fault(quantity: str = "ramp_up", size: float = 3.0) -> Drawn:
    return Drawn(
        f"{quantity} turned", size, "first row", 0.0, kinds=(KINDS[quantity],), quantities=(quantity,),
        parts=("driver-setting",), tie=("driver",), contradicted=("current-sensor",), visible=True,
    )  # fmt: skip


def world(logs: int = 400) -> list[Row]:
    """Healthy machines, machines with one fault, and logs that do not fit; nothing said yet."""
    rows = []
    for seed in range(logs):
        condition = ("plain", "exact command", READING_NOISE)[seed % 3]
        kind = seed % 5
        if kind == 4:
            job = Job(seed, condition, misfit="milliamperes")
            rows.append(Row(job, "", 100.0, tuple(map(line, LEFT)), ()))
            continue
        moved = list(LEFT)[seed % 3] if kind >= 2 else ""
        drawn = (fault(moved, (1.5, 3.0, 6.0)[seed % 3]),) if moved else ()
        job = Job(seed, condition, drawn[0].name if drawn else None, drawn[0].size if drawn else 3.0)
        lines = tuple(line(name, drawn[0].size if name == moved else 0.0) for name in LEFT)
        rows.append(Row(job, "", 100.0, lines, drawn))
    return rows


def seen(row: Row, rng: np.random.Generator) -> tuple[Line, ...]:
    """Every quantity as a sound estimator finds it."""
    out = []
    for one in row.lines:
        expanded = U_TOLERANCES * one.tolerance
        found = one.now + rng.normal() * expanded / 1.96
        off = abs(found - one.left)
        verdict = (
            "in" if off + expanded <= one.tolerance else "out" if off - expanded > one.tolerance else "undecided"
        )
        out.append(replace(one, found=found, uncertainty=expanded, verdict=verdict, bound=expanded / 1.96))
    return tuple(out)


def sound(row: Row, rng: np.random.Generator) -> Row:
    """Says what is true, as well as theory allows."""
    if row.job.misfit is not None:
        return replace(row, status="function-check", exit_code=3, sentence="The current is 1,000 times ...")
    lines = seen(row, rng)
    if not row.drawn:
        return replace(row, lines=lines, status="good", sentence="As left. Nothing moved.")
    said = tuple(Said(KINDS[one.quantities[0]], "driver-setting", ("driver",)) for one in row.drawn)
    return replace(row, lines=lines, status="out-of-specification", exit_code=1, sentence="It moved.", said=said)


def says(**values: object) -> Judge:
    """A sound judge, but for these fields."""
    return lambda row, rng: replace(sound(row, rng), **values)  # type: ignore[arg-type]


def on_each(change: Callable[[Row], Row]) -> Judge:
    return lambda row, rng: change(sound(row, rng))


def silent(row: Row, rng: np.random.Generator) -> Row:
    del rng
    return replace(row, status="not-judged", exit_code=3, sentence="Nothing judged.")


def silently_good(row: Row, rng: np.random.Generator) -> Row:
    return replace(silent(row, rng), status="good", exit_code=0)


def always_in(row: Row, rng: np.random.Generator) -> Row:
    lines = tuple(replace(one, verdict="in") for one in seen(row, rng))
    return replace(row, lines=lines, status="good", sentence="As left. Nothing moved.")


def also(finding: Said) -> Judge:
    return on_each(lambda row: replace(row, said=(*row.said, finding)))


def with_part(part: str, *others: str) -> Judge:
    return on_each(
        lambda row: replace(row, said=tuple(replace(one, part=part, alternatives=others) for one in row.said))
    )


def with_uncertainty(factor: float) -> Judge:
    def change(row: Row) -> Row:
        return replace(
            row,
            lines=tuple(
                one if one.uncertainty is None else replace(one, uncertainty=factor * one.uncertainty)
                for one in row.lines
            ),
        )

    return on_each(change)


def missed(judge: Judge) -> set[str]:
    """Measures whose goals chance does not excuse."""
    rng = np.random.default_rng(5)
    told = [(row, marks(row)) for row in (judge(row, rng) for row in world())]
    return {aim.measure or "efficiency" for aim in goals_of(told) if aim.goal.ruled_out}


WOLF = Said("pressure-unwanted", "valve", severity=3)
REMARK = Said("model-misfit", "driver", severity=1)


@pytest.mark.parametrize(
    ("judge", "measures"),
    [
        pytest.param(sound, set(), id="sound"),
        pytest.param(silent, {"found", "first", "observed", "misfit"}, id="says nothing"),
        pytest.param(
            silently_good,
            {"found", "first", "observed", "misfit", "as left", "good of nothing"},
            id="says nothing and calls it good",
        ),
        pytest.param(always_in, {"wrong", "found", "first", "as left", "misfit"}, id="always says in"),
        pytest.param(
            also(WOLF), {"false", "false now", "misfit"}, id="cries wolf"
        ),
        pytest.param(
            also(REMARK), {"false", "misfit"}, id="a remark on all"
        ),
        pytest.param(
            on_each(lambda row: replace(row, said=(WOLF, *row.said))),
            {"false", "false now", "first", "misfit"},
            id="the fault is not told first",
        ),
        pytest.param(
            with_part("current-sensor", "driver"), {"part", "contradicted"}, id="the part ruled out"
        ),
        pytest.param(
            with_part("supply", "driver-setting"),
            {"part"},
            id="a wrong part first",
        ),
        pytest.param(
            with_part("driver"), {"part"}, id="half of a tie"
        ),
        pytest.param(
            with_part("driver", "driver-setting"),
            set(),
            id="a stated tie, the other way round",
        ),
        pytest.param(with_uncertainty(0.5), {"inside U"}, id="uncertainties of half their size"),
        pytest.param(with_uncertainty(3.0), {"inside U"}, id="uncertainties of three times their size"),
        pytest.param(says(status="good"), {"as left", "misfit"}, id="good beside a fault"),
        pytest.param(says(exit_code=0), {"as left"}, id="exit code 0 beside a fault"),
        pytest.param(says(status="function-check"), {"mistaken"}, id="every log is said not to fit"),
        pytest.param(says(fits=True), {"misfit"}, id="every log is said to fit"),
        pytest.param(says(error="crashed"), {"error"}, id="no judgement"),
    ],
)  # fmt: skip
def test_each_way_to_be_wrong_breaks_its_goals_and_no_other(judge: Judge, measures: set[str]) -> None:
    assert missed(judge) == measures


def test_estimates_with_twice_the_variance_have_half_the_efficiency() -> None:
    rng = np.random.default_rng(3)

    def judge(row: Row) -> Row:
        row = sound(row, rng)
        lines = tuple(
            replace(one, found=one.now + math.sqrt(2.0) * rng.normal() * (one.bound or 0.0)) for one in row.lines
        )
        return replace(row, lines=lines)

    got = efficiency([judge(row) for row in world(1500) if row.job.misfit is None], tuple(LEFT))
    assert got.low < 0.5 < got.high
    assert got.high - got.low < 0.1
    assert math.isnan(efficiency([], tuple(LEFT)).value)


@pytest.mark.parametrize(
    ("low", "high", "answer"),
    [(0.0, 0.9, "in"), (1.1, 3.0, "out"), (-3.0, -1.1, "out"), (0.0, 1.1, ""), (-1.1, 1.1, ""), (1.0, 1.0, "in")],
)
def test_a_verdict_has_an_answer_where_the_truth_never_crossed_its_limit(low, high, answer) -> None:
    left, tolerance = 100.0, 4.0
    truth = replace(
        line(), left=left, below=tolerance, above=tolerance, low=left + low * tolerance, high=left + high * tolerance
    )
    assert answer_of(truth) == answer
    assert answer_of(replace(truth, defined=False)) == ""


def test_a_side_that_is_not_judged_is_never_out() -> None:
    rise = replace(line(), left=3.0, below=math.inf, above=2.0, low=0.5, high=0.5, now=0.5)
    assert rise.off == 0.0
    assert rise.tolerance == 2.0
    assert answer_of(rise) == "in"


def test_only_what_is_true_of_the_log_itself_is_excused() -> None:
    row = world()[0]
    gap, pinned = Said("data-missing", "data"), Said("reading-pinned", "data")
    assert not true_of_the_data(gap, row)
    assert true_of_the_data(gap, replace(row, empty_cells=3))
    assert not true_of_the_data(pinned, replace(row, empty_cells=3))
    assert true_of_the_data(pinned, replace(row, description="mixture: saturated reading, hum"))
    assert marks(replace(row, said=(gap,)))["false"] == (1, 1)
    assert marks(replace(row, said=(gap,), empty_cells=3))["false"] == (0, 1)


def test_a_machine_whose_readings_alone_failed_is_as_left_if_that_is_said() -> None:
    row = next(row for row in world() if row.drawn)
    gaps = replace(row.drawn[0], kinds=("data-missing",), quantities=())
    as_left = replace(row, drawn=(gaps,), sentence="As left, from 80 % of the readings.", status="good", lines=())
    said = Said("data-missing", "data")
    assert says_as_left(as_left)
    assert not says_as_left(replace(as_left, said=(said,)))
    assert says_as_left(replace(as_left, drawn=(gaps, row.drawn[0]), said=(said,)))
    small = replace(row.drawn[0], size=0.7)
    inside = replace(as_left, drawn=(gaps, small), said=(said,), lines=(line(off=0.7),))
    assert not says_as_left(inside)
    assert says_as_left(replace(inside, lines=(line(off=1.6),)))
    assert says_as_left(replace(inside, said=()))


def test_what_hangs_under_the_fault_is_no_finding_of_its_own() -> None:
    row = next(row for row in world() if row.drawn)
    follows = Said("response-changed", "pressure-source", consequence_of=row.drawn[0].kinds[0])
    assert marks(replace(row, said=(follows,)))["stray"] == (0, 1)
    assert marks(replace(row, said=(replace(follows, consequence_of=None),)))["stray"] == (1, 1)
    moves = replace(row.drawn[0], quantities=("hysteresis",))
    told = Said("hysteresis-changed", "valve")
    assert marks(replace(row, said=(told,)))["stray"] == (1, 1)
    assert marks(replace(row, drawn=(moves,), said=(told,)))["stray"] == (0, 1)


def test_of_two_faults_each_must_be_found_and_either_may_lead() -> None:
    row = world()[0]
    both = (fault("ramp_up"), fault("pressure_at_full"))
    first, second = (Said(one.kinds[0], "driver-setting") for one in both)
    row = replace(row, job=replace(row.job, fault=both[0].name, second_fault=both[1].name), drawn=both)
    assert marks(replace(row, said=(second, first)))["first"] == (2, 2)
    assert marks(replace(row, said=(second,)))["first"] == (1, 2)
    assert marks(replace(row, said=(WOLF, second, first)))["first"] == (0, 2)


def test_what_no_channel_shows_or_is_small_need_not_be_found() -> None:
    row = next(row for row in world() if row.drawn)
    hidden = replace(row.drawn[0], visible=False)
    small = replace(row.drawn[0], size=0.7)
    assert marks(replace(row, drawn=(hidden,)))["found"] == (0, 0)
    assert marks(replace(row, drawn=(small,)))["found"] == (0, 0)
    assert marks(replace(row, drawn=(small,)))["small"] == (0, 1)


@pytest.mark.parametrize(("hits", "of"), [(0, 10), (1, 200), (7, 12), (400, 400), (95, 100)])
def test_interval_of_a_share_is_wilsons(hits: int, of: int) -> None:
    assert wilson(hits, of) == pytest.approx(proportion_confint(hits, of, method="wilson"), abs=1e-12)


def test_several_counts_of_one_log_tell_less() -> None:
    """Logs whose five lines are all right or all wrong tell as much as one line each."""
    alike = share([(5, 5)] * 60 + [(0, 5)] * 40)
    assert (alike.low, alike.high) == pytest.approx(wilson(60, 100), abs=2e-3)
    rng = np.random.default_rng(2)
    apart = share([(int(n), 5) for n in rng.binomial(5, 0.6, 400)])
    assert (apart.low, apart.high) == pytest.approx(wilson(apart.hits, apart.of), abs=5e-3)
    everything = share([(5, 5)] * 100)
    assert (everything.low, everything.high) == pytest.approx(wilson(100, 100))
    assert share([]).text() == "-"
    assert share([(0, 0)]).of == 0


def test_rows_come_back_from_their_file(tmp_path: Path) -> None:
    rng = np.random.default_rng(1)
    rows = [sound(row, rng) for row in world(20)]
    write_rows(rows, tmp_path / "rows.jsonl")
    assert read_rows(tmp_path / "rows.jsonl") == rows


def test_what_changed_between_two_runs_is_told_by_log() -> None:
    before = [sound(row, np.random.default_rng(row.job.seed)) for row in world()]
    now = [replace(before[0], said=(WOLF,), sentence="Pressure nobody asked for."), *before[1:]]
    told = changes(before, now)
    assert "healthy logs with a false finding: 0/160" in told
    assert "0 better, 1 worse" in told
    assert f"worse: {before[0].job.options()}" in told
    assert "1 better, 0 worse" in changes(now, before)
    assert "No measure changed." in changes(before, before)


def test_every_table_and_one_log_can_be_printed() -> None:
    rng = np.random.default_rng(4)
    rows = [always_in(row, rng) for row in world()]
    text = tables(rows)
    assert READING_NOISE in text
    assert f"{rows[0].job.seed + 2} --condition" in text  # the first faulty log, under a goal that it breaks
    faulty = next(row for row in rows if row.drawn)
    assert "WRONG, is out" in shown(faulty)
    assert "BROKEN" in shown(faulty)


def test_jobs_are_the_same_every_time_and_in_whatever_part_of_a_run() -> None:
    names, faults, courses = ("plain", "hum", "mixture"), ("a", "b", "c"), ("first row", "step")
    whole = faulty_jobs(range(40), names, faults, courses)
    assert whole[20:] == faulty_jobs(range(20, 40), names, faults, courses)
    assert {job.fault for job in whole} == set(faults)
    assert {job.size for job in whole} == {0.7, 1.5, 3.0, 6.0}
    assert all(job.second_fault != job.fault for job in whole)
    assert any(job.second_fault for job in whole)
    assert {job.condition for job in healthy_jobs(range(6), names)} == set(names)


@dataclass(frozen=True)
class Fake:
    """As much of a stranger as the run needs: a healthy press of two levels."""

    sheet: str
    columns: dict[str, np.ndarray]
    actuals: dict[str, SimpleNamespace]
    faults: tuple[object, ...] = ()
    rate_hz: float = 50.0
    description: str = "two levels"

    def write(self, folder: Path) -> tuple[Path, Path]:
        rows = zip(*(values.tolist() for values in self.columns.values()), strict=True)
        text = "\n".join(",".join(f"{value:.5f}" for value in row) for row in rows)
        (folder / "log.csv").write_text(f"{','.join(self.columns)}\n{text}\n", encoding="utf-8")
        (folder / "sheet.toml").write_text(self.sheet, encoding="utf-8")
        return folder / "log.csv", folder / "sheet.toml"


def two_levels() -> Fake:
    time_s = np.arange(0.0, 120.0, 0.02)
    demand = np.where(time_s % 10.0 < 5.0, 0.2, 0.9)
    noise = np.random.default_rng(8).normal(size=(2, time_s.size))
    columns = {
        "time": time_s,
        "command": 4.0 + 16.0 * demand + 0.005 * noise[0],
        "current": 0.2 + 0.8 * demand + 0.001 * noise[1],
    }
    truth = SimpleNamespace(
        quantity="current_at_full", unit="A", left=1.0, tolerance_below=0.016, tolerance_above=0.016,
        low=1.0, high=1.0, now=1.0, defined=True, why_undefined="", bound=1e-4, why_unseen="", untold=None,
    )  # fmt: skip
    sheet = '[valve]\nid = "press-1.a"\n[signal]\nkind = "4-20mA"\n[as_left]\n'
    return Fake(sheet + "current_at_zero = 0.2\ncurrent_at_full = 1.0\n", columns, {"current_at_full": truth})


def test_a_log_is_judged_as_the_command_judges_it(tmp_path: Path) -> None:
    row = judged(Job(0, "plain"), by_command=True, stranger=two_levels(), folder=tmp_path)
    assert row.error == ""
    assert row.by_command
    told = json.loads((tmp_path / "by-command.json").read_text(encoding="utf-8"))
    assert row.sentence == told["sentence"]
    assert row.lines[0].verdict == "in"
    assert row.lines[0].found == next(q["as_found"] for q in told["quantities"] if q["id"] == "current_at_full")
    assert (row.exit_code, row.status) == (0, told["status"])


def test_a_command_that_says_otherwise_is_an_error(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(strangers_run, "as_process", lambda _: (1, "{}", ""))
    row = judged(Job(0, "plain"), by_command=True, stranger=two_levels())
    assert "exit code 1, not 0" in row.error


def test_a_judge_that_crashes_or_refuses_is_the_error_of_one_log(monkeypatch: pytest.MonkeyPatch) -> None:
    refused = judged(Job(0, "plain"), stranger=replace(two_levels(), sheet="[valve]\n"))
    assert (refused.exit_code, refused.status) == (2, "")
    assert "no judgement" in refused.error

    def crash(*_: object, **__: object) -> None:
        raise ZeroDivisionError("in the middle of it")

    monkeypatch.setattr("asleft.judge.judge.judge_log", crash)
    crashed = judged(Job(0, "plain"), stranger=two_levels())
    assert "in the middle of it" in crashed.error
    assert marks(crashed)["error"] == (1, 1)
    assert marks(crashed)["observed"] == (0, 1)
    assert marks(crashed)["as left"] == (0, 0)


def test_what_cannot_be_drawn_is_told_and_the_others_go_on(monkeypatch: pytest.MonkeyPatch) -> None:
    def draw(job: Job) -> Fake:
        if job.seed == 1:
            raise ValueError("no such machine")
        return two_levels()

    monkeypatch.setattr(strangers_run, "drawn", draw)
    rows = list(judge_all([Job(seed, "plain") for seed in (1, 2)]))
    assert "no such machine" in rows[0].error
    assert rows[1].error == ""
    assert sum(strangers_run.by_command(Job(seed, "plain")) for seed in range(100)) == 100 // BY_COMMAND


def test_holes_and_repeated_times_are_counted() -> None:
    fake = two_levels()
    columns = {name: values[:5].copy() for name, values in fake.columns.items()}
    columns["current"][2] = np.nan
    columns["time"][4] = columns["time"][3]
    columns["time"][3:] += 2.0
    row = row_of(Job(0, "plain"), replace(fake, columns=columns))
    assert row.empty_cells == 2
    assert row.longest_gap_s == pytest.approx(2.02)


def test_a_quantity_without_a_line_in_the_judgement_is_not_observed() -> None:
    judgement = {"quantities": [], "findings": [], "status": "not-judged", "sentence": "", "fit": {"fits": False}}
    row = with_judgement(row_of(Job(0, "plain"), two_levels()), judgement, 3)
    assert row.fits is False
    assert marks(row)["observed"] == (0, 1)
    assert marks(row)["mistaken"] == (1, 1)
