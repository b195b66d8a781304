from __future__ import annotations

from datetime import UTC, datetime, timedelta, timezone
from zoneinfo import ZoneInfo

import numpy as np
import pytest
from asleft.logfile.cells import EMPTY
from asleft.logfile.times import NOT_A_TIME, read_times
from hypothesis import given
from hypothesis import strategies as st

NOON = datetime(2026, 3, 2, 12, tzinfo=UTC).timestamp()
VIENNA = ZoneInfo("Europe/Vienna")


@pytest.mark.parametrize(
    ("text", "seconds"),
    [
        ("2026-03-02T12:00:00Z", NOON),
        ("2026-03-02T12:00:00", NOON),
        ("2026-03-02 12:00:00.250", NOON + 0.25),
        ("2026-03-02T13:00:00+01:00", NOON),
        ("2026-03-02T12:00:00,5", NOON + 0.5),
        ("12.5", 12.5),
        ("1772452800", 1772452800.0),
        ("-1e-3", -0.001),
    ],
)
def test_iso_and_seconds_are_told_apart(text, seconds):
    values, bad = read_times([text], None, UTC)
    assert values.tolist() == [seconds]
    assert bad == []


def test_a_zone_applies_to_times_that_carry_none():
    values, _ = read_times(["2026-03-02T13:00:00", "2026-03-02T12:00:00Z"], None, VIENNA)
    assert values.tolist() == [NOON, NOON]
    values, _ = read_times(["2026-07-01T14:00:00"], "iso", VIENNA)
    assert values[0] == datetime(2026, 7, 1, 12, tzinfo=UTC).timestamp()


def test_milliseconds_and_decimal_commas():
    assert read_times(["1500", "1510"], "milliseconds", UTC)[0].tolist() == [1.5, 1.51]
    assert read_times(["1,5"], None, UTC, decimal_comma=True)[0].tolist() == [1.5]


@pytest.mark.parametrize(
    ("pattern", "text"),
    [
        ("%d.%m.%Y %H:%M:%S.%f", "02.03.2026 12:00:00.25"),
        ("%d.%m.%Y %H:%M:%S,%f", "02.03.2026 12:00:00,250"),
        ("%d/%m/%Y %I:%M:%S.%f %p", "02/03/2026 12:00:00.250000 PM"),
        ("%Y%m%d %H%M%S.%f", "20260302 120000.2500001"),
    ],
)
def test_patterns(pattern, text):
    values, bad = read_times([text, text], pattern, UTC)
    assert bad == []
    assert values.tolist() == [NOON + 0.25] * 2


def test_a_pattern_with_its_own_zone_needs_none():
    assert read_times(["02.03.2026 13:00:00 +0100"], "%d.%m.%Y %H:%M:%S %z", VIENNA)[0][0] == NOON


def test_unreadable_times_are_named():
    values, bad = read_times(["2026-03-02T12:00:00", "", "yesterday", "2026-13-02T12:00:00"], None, UTC)
    assert values[0] == NOON
    assert np.isnan(values[1:]).all()
    assert [(cell.row, cell.reason) for cell in bad] == [(1, EMPTY), (2, NOT_A_TIME), (3, NOT_A_TIME)]
    values, bad = read_times(["1.0", "x", "nan"], None, UTC)
    assert [cell.reason for cell in bad] == [NOT_A_TIME, NOT_A_TIME]
    # A fraction of zero may be left out.
    values, bad = read_times(["02.03.2026 12:00:00", "02.03.2026 12:00:00.5"], "%d.%m.%Y %H:%M:%S.%f", UTC)
    assert (values - NOON).tolist() == [0.0, 0.5]
    assert bad == []


@given(
    st.datetimes(datetime(1990, 1, 1), datetime(2100, 1, 1)),  # noqa: DTZ001
    st.sampled_from([UTC, timezone(timedelta(hours=5, minutes=30)), VIENNA]),
)
def test_patterns_read_what_iso_reads(moment, zone):
    pattern = "%d.%m.%Y %H:%M:%S.%f"
    by_pattern, _ = read_times([moment.strftime(pattern)], pattern, zone)
    by_iso, _ = read_times([moment.isoformat()], "iso", zone)
    assert by_pattern[0] == by_iso[0] == pytest.approx(moment.replace(tzinfo=zone).timestamp(), abs=1e-6)
