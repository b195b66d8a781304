"""`asleft report --record` and `--retune`: what is on file is written, what is not is told."""

from __future__ import annotations

import hashlib
import json
import shutil
import time
from io import BytesIO
from pathlib import Path

import numpy as np
import pytest
from asleft.cli.main import main
from asleft.cli.sheet_actions import load_sheet
from asleft.judge.types import Samples
from asleft.judge.verify.grade import check
from asleft.store.access import open_access
from asleft.store.actor import Actor
from asleft.store.protocols import SheetRecord
from asleft.store.records import open_records
from asleft.web.verification.record import FIELDS, Draft, record_body
from pypdf import PdfReader

V = "press-4.platen"
S = 10**9


@pytest.fixture(scope="module")
def filed_folder(tmp_path_factory, sheet_text, hands):
    """A data folder with a sheet of two revisions, the second in force for a day, and one record filed."""
    folder = tmp_path_factory.mktemp("filed") / "data"
    folder.mkdir()
    (folder.parent / "sheet.toml").write_text(sheet_text)
    sheet = load_sheet(folder.parent / "sheet.toml")
    now = time.time_ns()
    records = open_records(folder / "records.db")
    texts = {n: sheet_text.replace("number = 3", f"number = {n}") for n in (3, 4)}
    filed = [
        SheetRecord(V, n, now - ago * 86_400 * S, "kl", "pump replaced", texts[n], now) for n, ago in ((3, 5), (4, 1))
    ]
    for one in filed:
        records.put_sheet(one)
    records.close()
    hand = hands.Hand(now - 600 * S, [*hands.strokes(), *hands.sweep()], up_s=1.2, down_s=2.0)
    time_s = hand.start_ns / 1e9 + np.arange(hand.channels["command"].size) / hands.RATE_HZ
    made = check(sheet, Samples(time_s, hand.channels))
    entered = dict.fromkeys(FIELDS, "") | {"load_state": "stop", "technician": "kl", "decision": "not-accepted"}
    body = record_body(Draft(sheet, filed[0], made, None, entered), made_ns=now, who="kl", version="0", zone="UTC")
    store = open_access(folder / "records.db")
    store.verifications.put(V, now, 3, body, Actor("kl", "technician"), accepted=False)
    store.close()
    return folder


@pytest.fixture
def data(filed_folder, tmp_path):
    """A copy of it for each test."""
    return Path(shutil.copytree(filed_folder, tmp_path / "data"))


def report(data, *more: str) -> int:
    return main(["report", V, "--data", str(data), *more])


def test_a_record_is_written_as_it_was_filed(data, tmp_path, capsys):
    html, pdf, raw = (tmp_path / f"r.{kind}" for kind in ("html", "pdf", "json"))
    assert report(data, "--record", "1", "--out", str(html), "--paper", "letter") == 0
    text = html.read_text().replace("\u00a0", " ")
    assert "Verification record 1 of Press 4 platen pressure: Not accepted." in text
    assert "At 100 % command full pressure or full flow may result" in text
    assert "size: letter" in text.lower()
    assert report(data, "--record", "1", "--out", str(pdf)) == 0
    assert "Verification record 1" in PdfReader(BytesIO(pdf.read_bytes())).pages[0].extract_text()
    assert report(data, "--record", "1", "--out", str(raw)) == 0
    store = open_access(data / "records.db")
    digest = store.verifications.one(V, 1).digest
    assert hashlib.sha256(raw.read_bytes()).hexdigest() == digest
    assert digest in text
    store.close()
    assert json.loads(raw.read_text())["technician"] == "kl"
    assert f"{raw}: written." in capsys.readouterr().out


def test_a_retune_is_written_round_a_revision(data, tmp_path):
    out = tmp_path / "t.html"
    assert report(data, "--retune", "--out", str(out)) == 0
    text = out.read_text()
    assert "Retune of" in text
    assert "revision 4, by kl" in text
    assert "Nothing can be compared: no setting was measured often enough in both stretches." in text
    assert report(data, "--retune", "--revision", "3", "--out", str(out)) == 0
    assert "revision 3, by kl" in out.read_text()


@pytest.mark.parametrize(
    ("given", "words"),
    [
        ("--record 7 --out {out}.html", "--record 7: press-4.platen has no such record; there are: 1"),
        ("--record 0 --out {out}.html", "--record 0: must lie between 1 and 1000000000"),
        ("--record 1 --out {out}.csv", "must end in .html, .pdf or .json"),
        ("--record 1 --retune --out {out}.html", "--retune: not with --record"),
        ("--record 1 --days 3 --out {out}.html", "--days: not with --record"),
        ("--record 1 --log x.csv --out {out}.html", "--log: not with --record"),
        ("--record 1 --revision 2 --out {out}.html", "--revision: only with --retune"),
        ("--retune --revision 9 --out {out}.html", "--revision 9: not in force yet or not on file; there are: 3, 4"),
        ("--retune --out {out}.json", "must end in .html or .pdf"),
        ("--record 1 --zone Mars --out {out}.html", "Mars"),
    ],
)
def test_what_is_not_on_file_is_told_and_nothing_is_written(data, tmp_path, capsys, given, words):
    assert report(data, *given.format(out=tmp_path / "r").split()) == 2
    said = capsys.readouterr().err
    assert words in said
    assert "Traceback" not in said
    assert not list(tmp_path.glob("r.*"))


def test_of_another_valve_nothing_is_filed(data, tmp_path, capsys):
    given = ["--data", str(data), "--out", str(tmp_path / "r.html")]
    assert main(["report", "no.such", *given, "--record", "1"]) == 2
    assert "no.such has no such record; none is filed yet" in capsys.readouterr().err
    assert main(["report", "no.such", *given, "--retune"]) == 2
    assert "no such valve here; known are: press-4.platen" in capsys.readouterr().err
