from __future__ import annotations

import json
import math
from datetime import UTC, datetime, timedelta

import pytest
from asleft.instruments.json_values import (
    Malformed,
    find,
    is_absent,
    number_of,
    parse_document,
    parse_path,
    time_of,
)
from asleft.wire.block import Reason
from hypothesis import given
from hypothesis import strategies as st

# RFC 6901, section 5: the document and what each pointer stands for.
RFC = (
    r'{"foo": ["bar", "baz"], "": 0, "a/b": 1, "c%d": 2, "e^f": 3, "g|h": 4, "i\\j": 5, "k\"l": 6, " ": 7, "m~n": 8}'
)


@pytest.mark.parametrize(
    ("pointer", "value"),
    [
        ("/foo", ["bar", "baz"]),
        ("/foo/0", "bar"),
        ("/", 0),
        ("/a~1b", 1),
        ("/c%d", 2),
        ("/e^f", 3),
        ("/g|h", 4),
        ("/i\\j", 5),
        ('/k"l', 6),
        ("/ ", 7),
        ("/m~0n", 8),
    ],
)
def test_pointers_of_rfc_6901(pointer: str, value: object) -> None:
    assert find(parse_document(RFC.encode()), parse_path(pointer)) == value


def test_dotted_paths_and_the_whole_document() -> None:
    document = parse_document(b'{"values": {"current": 0.5}, "list": [1, {"x": 2}]}')
    assert number_of(find(document, parse_path("values.current")), 2.0, 1.0) == pytest.approx(2.0)
    assert find(document, parse_path("list.1.x")) == 2
    for missing in ("values.pressure", "list.7", "list.-1", "values.current.x", "list.x"):
        assert is_absent(find(document, parse_path(missing)))
    assert number_of(find(parse_document(b"12.5"), parse_path("")), 1.0, 0.0) == 12.5
    for wrong in ("a..b", ".a", "/a~2b", "/a~"):
        with pytest.raises(ValueError, match="has a"):
            parse_path(wrong)


@pytest.mark.parametrize("payload", [b"", b"{", b"\xff\xfe", b"{'a': 1}", b"[" * 100_000, b" " * (1024 * 1024 + 1)])
def test_what_is_no_json_is_malformed(payload: bytes) -> None:
    with pytest.raises(Malformed):
        parse_document(payload)


@pytest.mark.parametrize(
    ("text", "number"),
    [
        ("true", 1.0),
        ('"12.5"', 12.5),
        ('" -1e3 "', -1000.0),
        ("null", Reason.NOT_FINITE),
        ('"12,5"', Reason.NOT_FINITE),
        ('"0x10"', Reason.NOT_FINITE),
        ("[1]", Reason.NOT_FINITE),
        ("NaN", Reason.NOT_FINITE),
        ("-Infinity", Reason.NOT_FINITE),
        ("1e999", Reason.NOT_FINITE),
        ("1" + "0" * 400, Reason.OUT_OF_RANGE),
    ],
)
def test_numbers_and_what_is_none(text: str, number: float | Reason) -> None:
    assert number_of(parse_document(text.encode()), 1.0, 0.0) == number


@given(st.floats(allow_nan=False, allow_infinity=False))
def test_every_number_that_json_writes_is_read(number: float) -> None:
    assert number_of(parse_document(json.dumps(number).encode()), 1.0, 0.0) == number


@given(st.datetimes(datetime(1990, 1, 2), datetime(2199, 1, 1)), st.integers(-12, 14))  # noqa: DTZ001
def test_times_to_the_microsecond_in_every_form(naive: datetime, zone_h: int) -> None:
    at = naive.replace(tzinfo=UTC)
    us = (at - datetime(1970, 1, 1, tzinfo=UTC)) // timedelta(microseconds=1)
    seconds = f"{us // 1_000_000}.{us % 1_000_000:06d}"
    for form, text in (("s", seconds), ("ms", f"{us // 1000}.{us % 1000:03d}"), ("us", str(us)), ("ns", f"{us}000")):
        assert time_of(parse_document(text.encode()), form) == us * 1000, form
        assert time_of(parse_document(f'"{text}"'.encode()), form) == us * 1000, form
    elsewhere = at + timedelta(hours=zone_h)
    written = f"{elsewhere.replace(tzinfo=None).isoformat()}{zone_h:+03d}:00"
    assert time_of(written, "iso") == us * 1000


@pytest.mark.parametrize(
    ("found", "form", "words"),
    [
        ("2026-03-02T08:10:00", "iso", "has no zone"),
        ("yesterday", "iso", "is not ISO 8601"),
        (1_772_439_000, "iso", "is no text"),
        ("2026-03-02", "s", "is no number"),
        (True, "s", "is no number"),
        (math.nan, "s", "is no number"),
        (None, "ms", "is no number"),
        (1_772_439_000_000, "s", "is not from 1990 to 2200"),
        (1_772_439_000, "ms", "is not from 1990 to 2200"),
        (10**30, "ns", "is not from 1990 to 2200"),
    ],
)
def test_times_that_are_none(found: object, form: str, words: str) -> None:
    with pytest.raises(Malformed, match=words):
        time_of(found, form)
