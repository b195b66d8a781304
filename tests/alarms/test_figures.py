"""Classes, episodes, floods, and how often the part named is right."""

from __future__ import annotations

import pytest
from asleft.alarms.classes import DELAYS, AlarmClass, class_of
from asleft.alarms.events import AlarmEvent, EventKind
from asleft.alarms.figures import CHATTERS_FROM, FLOOD_IN_TEN_MINUTES, called, episodes, load
from asleft.alarms.found import INTENDED, NOT_LOOKED, NOTHING, hit_rate, wilson
from asleft.alarms.states import AlarmView, fold
from asleft.catalogue.finding_kinds import FINDING_KINDS
from statsmodels.stats.proportion import proportion_confint

S = 10**9
DAY_S = 86_400


def alarm(from_s, to_s=None, *, kind="ramp-up-changed", valve="v", found="", severity=2, part="coil"):
    name = f"{valve}/{kind}/{from_s}"

    def event(seq, what, at_s, of=part):
        return AlarmEvent(name, seq, what, round(at_s * S), "x", "", valve, kind, severity, of, "It is.", 0)

    log = [event(1, EventKind.RAISED, from_s)]
    if to_s is not None:
        log.append(event(2, EventKind.RETURNED, to_s))
    if found:
        log.append(event(len(log) + 1, EventKind.FOUND, (to_s or from_s) + 1, found))
    return fold(log, 10**6 * S)


def test_only_danger_and_lost_control_call_at_once() -> None:
    assert {kind for kind, fault in FINDING_KINDS.items() if class_of(kind, fault.severity) is AlarmClass.NOW} == {
        "current-unwanted",
        "pressure-unwanted",
        "current-lost",
        "command-failed",
    }
    assert class_of("ramp-up-changed", 2) is AlarmClass.SHIFT
    assert class_of("ramp-up-changed", 1) is AlarmClass.DIGEST
    assert set(DELAYS) == set(AlarmClass)


def test_what_is_short_calls_nobody_unless_it_hurries() -> None:
    assert not called(alarm(0, 59), 10**6 * S)
    assert called(alarm(0, 60), 10**6 * S)
    assert not called(alarm(0), 59 * S)
    assert called(alarm(0), 60 * S)
    assert called(alarm(0, 1, kind="current-unwanted", severity=3), 10**6 * S)


def test_short_absences_do_not_make_new_episodes() -> None:
    found = episodes([alarm(0, 100), alarm(699, 800), alarm(1401, 1500), alarm(50, 60, valve="w")])
    assert [(one.valve, one.from_ns // S, one.to_ns // S, len(one.alarms)) for one in found] == [
        ("v", 0, 800, 2),
        ("v", 1401, 1500, 1),
        ("w", 50, 60, 1),
    ]


def test_a_flood_is_more_than_ten_in_ten_minutes() -> None:
    ten = [alarm(1000 + 60 * k, valve=f"v{k}") for k in range(FLOOD_IN_TEN_MINUTES)]
    assert not load(ten, DAY_S * S).flood
    figures = load([*ten, alarm(1599, valve="last")], DAY_S * S)
    assert (figures.flood, figures.worst_ten_minutes, figures.worst_at_ns) == (True, 11, 1000 * S)
    assert not load([*ten, alarm(1600, valve="last")], DAY_S * S).flood  # the first is ten minutes ago
    assert load(ten, (DAY_S + 2000) * S).a_day == 0


def test_what_comes_and_goes_is_told() -> None:
    often = [alarm(2000 * k, 2000 * k + 300) for k in range(1, CHATTERS_FROM + 1)]
    assert load(often, DAY_S * S).chattering == (("v", "ramp-up-changed", CHATTERS_FROM),)
    assert load(often[1:], DAY_S * S).chattering == ()


def test_the_hit_rate_counts_what_was_looked_into() -> None:
    views = [
        alarm(0, 1, found="coil"),
        alarm(1, 2, found="valve"),
        alarm(2, 3, found=NOTHING),
        alarm(3, 4, found=NOT_LOOKED),
        alarm(4, 5, found=INTENDED),  # not a coil, but nobody can say that the coil was right
        alarm(5, 6, found=INTENDED, part="driver-setting"),
        alarm(6, 7),
    ]
    rate = hit_rate(views)
    assert (rate.hits, rate.cases) == (2, 4)
    assert rate.share == 0.5


@pytest.mark.parametrize(("hits", "cases"), [(0, 1), (1, 1), (3, 7), (40, 41), (0, 30)])
def test_wilsons_interval_is_that_of_statsmodels(hits, cases) -> None:
    assert wilson(hits, cases) == pytest.approx(proportion_confint(hits, cases, method="wilson"), abs=1e-6)
    assert wilson(0, 0) == (0.0, 1.0)


def test_a_view_is_what_the_log_makes_it() -> None:
    view = alarm(0, 1, found="coil")
    assert isinstance(view, AlarmView)
    assert view.acknowledged
