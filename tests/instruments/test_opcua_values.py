from __future__ import annotations

import math
from datetime import UTC, datetime, timedelta, timezone

import pytest
from asleft.instruments.opcua_values import Variable, number_of, overflowed, reason_of, time_ns
from asleft.wire.block import Reason
from asyncua import ua

CURRENT = Variable("current", "A", "ns=2;s=I", 0.001, 0.5)


@pytest.mark.parametrize(
    ("name", "reason"),
    [
        ("BadNoCommunication", Reason.NOT_CONNECTED),
        ("BadNotConnected", Reason.NOT_CONNECTED),
        ("BadCommunicationError", Reason.NOT_CONNECTED),
        ("BadDeviceFailure", Reason.NOT_CONNECTED),
        ("BadTimeout", Reason.NO_ANSWER),
        ("BadNoData", Reason.NO_ANSWER),
        ("BadWaitingForInitialData", Reason.NO_ANSWER),
        ("BadOutOfRange", Reason.OUT_OF_RANGE),
        ("BadSensorFailure", Reason.REFUSED),
        ("BadNodeIdUnknown", Reason.REFUSED),
        ("UncertainLastUsableValue", Reason.REFUSED),
        ("UncertainSensorNotAccurate", Reason.REFUSED),
        ("Good", None),
        ("GoodClamped", None),
    ],
)
def test_status_codes_as_another_library_numbers_them(name: str, reason: Reason | None) -> None:
    assert reason_of(getattr(ua.StatusCodes, name)) is reason


def test_no_bad_or_uncertain_status_passes_and_no_good_one_fails() -> None:
    for name, code in vars(ua.StatusCodes).items():
        if isinstance(code, int) and not name.startswith("_"):
            assert (reason_of(code) is None) == ua.StatusCode(ua.UInt32(code)).is_good(), name


def test_overflow_is_a_bit_of_values_only() -> None:
    # OPC 10000-4, table "DataValue InfoBits": InfoType 01 in bits 10 and 11, Overflow in bit 7.
    assert overflowed(0x0000_0480)
    assert not overflowed(0x0000_0080)
    assert not overflowed(0)


def test_numbers_and_what_is_none() -> None:
    assert number_of(250, 0, CURRENT) == pytest.approx(0.75)
    assert number_of(True, 0, CURRENT) == pytest.approx(0.501)
    for value in (None, "250", [250], math.nan, math.inf):
        assert number_of(value, 0, CURRENT) is Reason.NOT_FINITE
    assert number_of(250, ua.StatusCodes.BadTimeout, CURRENT) is Reason.NO_ANSWER


def test_the_sources_time_counts_then_the_servers_then_ours() -> None:
    source = datetime(2026, 3, 2, 8, 10, 0, 123456, tzinfo=UTC)
    ns = 1_772_439_000_123_456_000
    assert time_ns(source, None, 5) == ns
    assert time_ns(source.replace(tzinfo=None), None, 5) == ns
    assert time_ns(source.astimezone(timezone(timedelta(hours=1))), None, 5) == ns
    assert time_ns(datetime(1601, 1, 1), source, 5) == ns  # noqa: DTZ001 - the library gives such
    assert time_ns(None, None, 5) == 5
