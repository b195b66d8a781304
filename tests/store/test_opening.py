"""Sample stores are found by what `--samples` says; a further kind is one more entry of the table."""

from __future__ import annotations

import pytest
from asleft.store import opening
from asleft.store.opening import EMBEDDED, BadPlace, Kind, check_samples, open_chosen, open_chosen_reader, shared
from asleft.store.retention import Retention


def test_each_kind_is_found_and_anything_else_is_refused():
    assert [opening.kind_of(name).in_folder for name in (EMBEDDED, "influx://h/b", "influxs://h:1/b")] == [
        True,
        False,
        False,
    ]
    with pytest.raises(BadPlace, match=r"'embedded' or influx://HOST:PORT/BUCKET is expected"):
        check_samples("elsewhere://h/b")
    with pytest.raises(BadPlace, match="is no name of a bucket"):
        check_samples("influx://h/..")


def test_recorders_share_only_what_takes_many_writers(tmp_path):
    url = "postgresql://asleft@h/asleft"
    assert shared("influx://h/b", url)
    assert not shared("influx://h/b", tmp_path / "records.db")
    assert not shared(EMBEDDED, url)


def test_a_third_kind_is_one_entry(tmp_path, monkeypatch):
    seen = []
    third = Kind(
        form="memory:",
        names=lambda samples: samples.startswith("memory:"),
        check=lambda samples, _environment: seen.append(samples),
        many_writers=False,
        in_folder=False,
        open_store=lambda site: ("store", site.samples, site.retention.raw_days),
        open_reader=lambda site: ("reader", site.data_dir),
    )
    monkeypatch.setattr(opening, "KINDS", (*opening.KINDS, third))
    assert open_chosen("memory:a", tmp_path, tmp_path / "records.db", Retention(3.0)) == ("store", "memory:a", 3.0)
    assert open_chosen_reader("memory:a", tmp_path, tmp_path / "records.db") == ("reader", tmp_path)
    assert seen == ["memory:a", "memory:a"]
    with pytest.raises(BadPlace, match=r"or influx://HOST:PORT/BUCKET or memory: is expected"):
        check_samples("x")
