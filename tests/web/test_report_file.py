"""A report of a logger's file: the same document, from one recording and a sheet, with no store anywhere."""

from __future__ import annotations

import csv
import hashlib
import html
import re
from io import BytesIO

import numpy as np
import pytest
from asleft.cli.main import main
from pypdf import PdfReader

V = "press-2.clamp"
S = 10**9


@pytest.fixture
def files(plant, tmp_path):
    """Eleven minutes of the plant as a logger would have written them, and the sheet; times as given."""

    def make(*, dated: bool = True):
        stored = plant.samples(V, plant.now - 660 * S, plant.now)
        sheet, log = tmp_path / "clamp.toml", tmp_path / "logger.csv"
        sheet.write_text(plant.effective_sheet(V, plant.now).toml)
        times = (
            [f"{np.datetime64(int(t), 'ns').astype('datetime64[ms]')}" for t in stored.time_ns]
            if dated
            else [f"{(t - stored.time_ns[0]) / 1e9:.3f}" for t in stored.time_ns.tolist()]
        )
        columns = [stored.channels[name] for name in ("command", "current", "pressure")]
        rows = [f"{t},{c:.4f},{i:.5f},{p:.3f}" for t, c, i, p in zip(times, *columns, strict=True)]
        log.write_text("\n".join(["time,command,current,pressure", *rows, ""]))
        return sheet, log

    return make


def report(log, sheet, out, *more: str) -> str:
    assert main(["report", "--log", str(log), "--sheet", str(sheet), "--out", str(out), *more]) == 0
    return html.unescape(out.read_text()).replace("\u00a0", " ") if out.suffix != ".pdf" else ""


def test_it_says_what_the_file_shows_and_what_it_rests_on(files, tmp_path):
    sheet, log = files()
    text, rows = report(log, sheet, tmp_path / "r.html"), len(log.read_text().splitlines()) - 1
    for words in (
        "Ramp up takes 2.10 s; it was left at 1.60 s.",
        "As found in a recording from Tue 24 Nov 2026 14:51:07 to Tue 24 Nov 2026 15:02:06.",
        "Nothing is known of before and after.",
        f"Readings: logger.csv, {rows:,} rows used.",
        f"SHA-256 of the file: {hashlib.sha256(log.read_bytes()).hexdigest()}.",
        f"SHA-256 of its file: {hashlib.sha256(sheet.read_bytes()).hexdigest()}.",
        "All times in UTC",
        "supply voltage: supply not recorded",
        "Isolate, lock out, support and bleed first.",
        "It is no safety validation",
    ):
        assert words in text, words
    assert text.count('class="chart"') == 3
    assert "History" not in text
    assert "1970" not in text
    assert re.search(r'<tr class="out"><th scope="row">ramp up</th>', text)
    shares = [float(share) for share in re.findall(r'<td class="n"[^>]*>(\d+\.\d) %</td></tr>', text)]
    assert sum(shares) == pytest.approx(100.0, abs=0.3)


def test_the_first_page_has_verdict_and_basis_and_says_nothing_twice(files, tmp_path):
    sheet, log = files()
    text, rows = report(log, sheet, tmp_path / "r.html"), len(log.read_text().splitlines()) - 1
    shown = re.sub(r"<[^>]*>", " ", text)
    assert "Deviation in percent of tolerance:" in text  # for who hears the picture
    assert "Deviation in percent of tolerance:" not in shown  # for who sees it the table says so
    report(log, sheet, tmp_path / "r.pdf")
    first = " ".join(PdfReader(tmp_path / "r.pdf").pages[0].extract_text().split())
    digest = hashlib.sha256(sheet.read_bytes()).hexdigest()
    for words in ("Ramp up takes 2.10 s", f"Rests on the readings of logger.csv ({rows:,} rows)", digest[:12], "out"):
        assert words in first, words


def test_captions_tell_no_time_from_before_the_recording(files, tmp_path):
    sheet, log = files()  # begins at 14:51:07, shorter than what the pictures look back
    text = report(log, sheet, tmp_path / "r.html")
    told = re.findall(r"Production from (\d\d:\d\d) to (\d\d:\d\d)", text)
    assert len(told) >= 3
    assert all("14:51" <= begins < ends <= "15:02" for begins, ends in told), told


def test_no_line_ends_between_a_number_and_its_unit(files, tmp_path):
    sheet, log = files()
    report(log, sheet, tmp_path / "r.html")
    shown = re.sub(r"<style>.*?</style>|<[^>]*>", "|", (tmp_path / "r.html").read_text(), flags=re.DOTALL)
    assert re.search(r"\d\u00a0bar\b", shown)
    assert re.search(r"\d\u00a0s\b", shown)
    assert re.findall(r"\d (?:A|V|s|bar|%|min|°C)(?!\w)", shown) == []


def test_what_was_neither_left_nor_found_is_no_row_of_dashes(files, tmp_path):
    sheet, log = files()
    text = report(log, sheet, tmp_path / "r.html")
    assert not re.search(r'<th scope="row">[^<]*</th>(?:<td[^>]*>–</td>){3}', text)
    assert re.search(r"<li>headroom: ", text)


def test_times_are_told_in_the_zone_that_was_named_and_are_of_it(files, tmp_path):
    sheet, log = files()
    text = report(log, sheet, tmp_path / "r.html", "--zone", "Europe/Madrid")
    assert "to Tue 24 Nov 2026 15:02:06." in text  # the file's times carry no zone: they are taken for Madrid's
    assert "All times in Europe/Madrid" in text
    assert "All times in UTC" in report(log, sheet, tmp_path / "r.html", "--zone", "+01:00")


def test_seconds_without_a_date_are_said_to_be_that(files, tmp_path):
    sheet, log = files(dated=False)
    text = report(log, sheet, tmp_path / "r.html")
    assert "The file's times carry no date: they are seconds, shown as if counted from 1 January 1970." in text
    assert "Ramp up takes 2.10 s" in text


def test_what_could_not_be_read_is_in_the_report(files, tmp_path):
    sheet, log = files()
    lines = log.read_text().split("\n")
    lines[100] = lines[100].rsplit(",", 1)[0] + ",broken"
    log.write_text("\n".join(lines))
    assert "'broken'" in report(log, sheet, tmp_path / "r.html")


def test_as_pdf_on_letter_and_as_a_table(files, tmp_path):
    sheet, log = files()
    report(log, sheet, tmp_path / "r.pdf", "--paper", "letter")
    reader = PdfReader(BytesIO((tmp_path / "r.pdf").read_bytes()))
    assert [float(end) for end in reader.pages[0].mediabox[2:]] == [612.0, 792.0]
    report(log, sheet, tmp_path / "r.csv")
    with (tmp_path / "r.csv").open(newline="") as file:
        rows = {row["quantity"]: row for row in csv.DictReader(file)}
    assert float(rows["ramp_up"]["as_found"]) == pytest.approx(2.1, abs=0.01)
    assert rows["ramp_up"]["verdict"] == "out"
    assert rows["supply_voltage"]["reason"] == "supply not recorded"
