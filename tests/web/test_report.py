"""Reports: all that is known in one document that needs nothing else, as HTML and as PDF."""

from __future__ import annotations

import hashlib
import html
import re
import time
from html.parser import HTMLParser
from io import BytesIO

import pytest
from asleft.cli.main import main
from asleft.store.actor import Actor
from asleft.store.records import open_records
from asleft.store.work_log import open_work
from asleft.web.app import create_app
from asleft.web.checked import ramps_figure
from asleft.web.figures import Chart
from asleft.web.markup import Markup, el
from asleft.web.paper import paper, pdf, picture, styled
from asleft.web.report.state import WEEK_NS, state_report
from asleft.web.templates import macro, table
from asleft.web.when import Stretch
from asleft.web.words import CAUTIONS
from pypdf import PdfReader

V = "press-2.clamp"
VOID = {"meta", "link", "br", "hr", "img", "input"}


class Checked(HTMLParser):
    """Every element closed in order; what is named outside, and the headings."""

    def __init__(self) -> None:
        super().__init__()
        self.stack: list[str] = []
        self.outside: list[str] = []
        self.headings: list[str] = []

    def handle_starttag(self, tag, attrs):
        if tag not in VOID:
            self.stack.append(tag)
        if tag in ("h1", "h2", "h3"):
            self.headings.append(tag)
        assert tag != "script"
        self.outside += [value for name, value in attrs if name in ("src", "href") and value]

    def handle_endtag(self, tag):
        assert self.stack.pop() == tag


@pytest.fixture
def text(source, plant) -> str:
    made = state_report(source, V, Stretch(plant.now - WEEK_NS, plant.now), "9.9")
    assert made is not None
    return made.replace("\u00a0", " ")  # which holds a number and its unit together


def test_the_document_is_whole_and_needs_nothing_from_elsewhere(text):
    checked = Checked()
    checked.feed(text)
    assert checked.stack == []
    assert checked.outside == []
    assert "url(" not in text
    assert "@import" not in text
    assert checked.headings[0] == "h1"
    assert checked.headings.count("h1") == 1
    assert "h3" not in checked.headings


def test_it_says_all_that_a_reader_has_to_know(text, plant):
    toml = plant.effective_sheet(V, plant.now).toml
    for words in (
        "Ramp up takes 2.10 s; it was left at 1.60 s.",
        "JCGM 106:2012",
        hashlib.sha256(toml.encode()).hexdigest(),
        "asleft 9.9",
        "Europe/Madrid",
        "It is no safety validation",
        "Isolate, lock out, support and bleed first.",
        "Pressure arrives 0.5 s later.",
        "Data coverage",
        "As found at Tue 24 Nov 2026 16:02:07, when this was made",
    ):
        assert words in text, words
    assert re.search(r'<tr class="out"><th scope="row">ramp up</th>', text)


def test_what_was_not_observed_stands_with_its_reason(source, plant):
    text = state_report(source, "press-2.platen", Stretch(plant.now - WEEK_NS, plant.now), "9.9")
    assert "Not observed, and why" in text
    assert "the controller makes its own ramps" in text


def test_the_coverage_adds_up(text):
    shares = [float(share) for share in re.findall(r'<td class="n"[^>]*>(\d+\.\d) %</td></tr>', text)]
    assert sum(shares) == pytest.approx(100.0, abs=0.3)


def test_a_table_of_ten_columns_fits_the_narrower_paper():
    """As wide as the table of a sweep's steps: the longest word of its last column ends within the margin."""
    head = ["way and command", "current wanted, A", "found, A", "uncertainty", "verdict"]
    head += ["pressure wanted, bar", "found, bar", "uncertainty", "verdict", "remark"]
    row = ["down 100.0 %", "0.920", "0.920", "0.00014", "undecided", "210.0", "210.0", "0.049", "not observed"]
    made = table("Levels", head, [[*row, "characteristic"]], numeric=frozenset({1, 2, 3, 5, 6, 7}))
    page = PdfReader(BytesIO(pdf(paper("x", "x", made)))).pages[0]
    begun: list[float] = []

    def note(_words: str, cm: list[float], tm: list[float], _font: object, _size: float) -> None:
        if cm[0] * tm[5] < 400:  # the table, not the foot of the page
            begun.append(cm[0] * tm[4])

    page.extract_text(visitor_text=note)
    word_pt = 6.7 * 0.5 * len("characteristic")  # narrow letters, half an em each on average
    assert 400 < max(begun) <= float(page.mediabox.width) - 16 / 25.4 * 72 - word_pt


def test_the_pdf_has_every_row_and_the_page_numbers(text):
    reader = PdfReader(BytesIO(pdf(text)))
    assert 2 <= len(reader.pages) <= 6
    whole = " ".join(" ".join(page.extract_text() for page in reader.pages).split())
    rows = re.findall(
        r'<th scope="row">([^<]+)</th><td class="n"[^>]*>([^<]*)</td><td class="n"[^>]*>([^<]*)</td>', text
    )
    assert len(rows) >= 12
    for label, left, found in rows:
        assert f"{label} {left} {found}" in whole, label
    for words in (*CAUTIONS, "It is no safety validation", f"1 of {len(reader.pages)}"):
        assert words in whole, words
    assert f"{V} · sheet 3" in whole


def test_a_report_fetches_nothing(caplog):
    outside = paper("x", "x", Markup('<img src="http://127.0.0.1:9/x.png"><img src="file:///etc/passwd">'))
    assert PdfReader(BytesIO(pdf(outside))).pages
    assert "127.0.0.1" in caplog.text
    assert "a report fetches nothing" in caplog.text


def test_pictures_carry_their_style():
    made = picture(Markup('<svg class="strip"><path/></svg>'))
    assert made.startswith('<svg class="strip"><style>')


def test_a_picture_carries_the_rules_that_speak_of_it_and_no_others():
    lone = picture(Markup('<svg class="strip"><path class="dot"/><text>1</text></svg>'))
    assert ".dot {" in lone
    assert "text {" in lone
    assert ".history .dot {" not in lone
    assert ".fan {" not in lone
    both = picture(Markup('<svg class="history"><path class="dot"/><path class="tip before"/></svg>'))
    assert ".history .dot {" in both
    assert both.index(".dot {") < both.index(".history .dot {"), "later rules stay later"
    assert ".chart .tip" not in both


def test_the_routes(plant, door):
    client = create_app(plant, plant, door.access, clock_ns=lambda: plant.now).server.test_client()
    answer = client.get(f"/report/{V}.html?from=2026-11-01T00:00:00Z&to=2026-11-24T00:00:00Z")
    assert "From Sun 1 Nov 2026 01:00:00 to Tue 24 Nov 2026 01:00:00." in answer.get_data(as_text=True)
    assert answer.headers["Content-Security-Policy"].startswith("default-src 'none'; style-src 'unsafe-inline'")
    made = client.get(f"/report/{V}.pdf")
    assert (made.mimetype, made.get_data()[:5]) == ("application/pdf", b"%PDF-")
    assert client.get("/report/no-such.html").status_code == 404
    for query, words in (
        ("from=2026-11-02&to=2026-11-01", "from must lie before to"),
        ("from=last-monday", "from = 'last-monday': wanted is a time"),
        ("kind=verification", "kind: no such choice here; it takes from, to, paper."),
    ):
        answer = client.get(f"/report/{V}.html?{query}")
        assert answer.status_code == 400
        assert words in html.unescape(answer.get_data(as_text=True))


def test_the_command(tmp_path, capsys, plant):
    records = open_records(tmp_path / "records.db")
    records.put_sheet(plant.effective_sheet(V, plant.now))
    records.close()
    for name, start in (("r.html", b"<!DOC"), ("r.pdf", b"%PDF-"), ("r.csv", b"quant")):
        assert main(["report", V, "--data", str(tmp_path), "--out", str(tmp_path / name)]) == 0
        assert (tmp_path / name).read_bytes()[:5] == start
    log, now = open_work(tmp_path / "records.db"), time.time_ns()
    log.declare(V, now + 3600 * 10**9, "coil changed", 0, now, Actor("kl", ""))
    log.close()
    assert main(["report", V, "--data", str(tmp_path), "--out", str(tmp_path / "r.html")]) == 0
    assert "coil changed, by kl. Not judged." in (tmp_path / "r.html").read_text()
    for more, words in (
        (["x.y", "--out", str(tmp_path / "a.html")], "known are: press-2.clamp"),
        ([V, "--out", str(tmp_path / "a.txt")], "must end in .html, .pdf or .csv"),
        ([V, "--out", str(tmp_path / "no" / "a.html")], "cannot be written"),
        ([V, "--out", str(tmp_path / "a.html"), "--days", "0"], "between 0.01 and 3660"),
        ([V, "--out", str(tmp_path / "a.html"), "--zone", "Mars"], "not a time zone"),
    ):
        capsys.readouterr()
        assert main(["report", *more, "--data", str(tmp_path)]) == 2
        assert words in capsys.readouterr().err


def test_paper_may_be_letter(plant, door):
    client = create_app(plant, plant, door.access, clock_ns=lambda: plant.now).server.test_client()
    sizes = {}
    for paper_size in ("a4", "letter"):
        page = PdfReader(BytesIO(client.get(f"/report/{V}.pdf?paper={paper_size}").get_data())).pages[0]
        sizes[paper_size] = [round(float(end) / 72, 2) for end in page.mediabox[2:]]
    assert sizes == {"a4": [8.27, 11.69], "letter": [8.5, 11.0]}
    answer = client.get(f"/report/{V}.html?paper=foolscap")
    assert answer.status_code == 400
    assert "wanted is a4 or letter" in answer.get_data(as_text=True)


def test_the_stretch_is_chosen_by_link_or_by_days_of_the_plant(plant, door):
    client = create_app(plant, plant, door.access, clock_ns=lambda: plant.now).server.test_client()
    text = html.unescape(client.get(f"/report/{V}").get_data(as_text=True))
    assert "A report of the clamp pressure of " in text
    links = re.findall(r'href="(/report/[^"]+)"', text)
    assert len(links) == 6
    assert links[0] == f"/report/{V}.html?from=2026-11-23T15:02:07.000Z&to=2026-11-24T15:02:07.000Z"
    assert {client.get(link).status_code for link in links} == {200}
    chosen = client.get(f"/report/{V}?from=2026-10-20&to=2026-10-31&paper=letter&as=pdf")
    assert chosen.status_code == 303  # summer time ends within: midnight is 22:00 UTC before and 23:00 after
    assert chosen.location == (
        f"/report/{V}.pdf?from=2026-10-19T22:00:00.000Z&to=2026-10-31T23:00:00.000Z&paper=letter"
    )
    today = client.get(f"/report/{V}?from=2026-11-24&to=2026-11-24&paper=a4&as=html").location
    assert today.endswith("to=2026-11-24T15:02:07.000Z")


@pytest.mark.parametrize(
    ("query", "words"),
    [
        ("from=monday&to=2026-11-20&paper=a4&as=html", "'monday' is no day"),
        ("from=2026-11-20&to=2026-11-19&paper=a4&as=html", "The last day lies before the first."),
        ("from=2026-12-20&to=2026-12-21&paper=a4&as=html", "not among those from 1970 to today"),
        ("from=1960-12-20&to=1960-12-21&paper=a4&as=html", "not among those from 1970 to today"),
        ("from=2000-01-01&to=2026-11-01&paper=a4&as=html", "At most 3660 days"),
        ("from=2026-11-20&to=2026-11-21&paper=a3&as=html", "'a3': wanted is A4 or Letter."),
        ("from=2026-11-20&to=2026-11-21&paper=a4&as=odt", "'odt': a report is HTML or PDF."),
    ],
)
def test_what_is_wrong_with_a_stretch_stands_at_the_form_with_what_was_typed(plant, door, query, words):
    client = create_app(plant, plant, door.access, clock_ns=lambda: plant.now).server.test_client()
    answer = client.get(f"/report/{V}?{query}")
    text = html.unescape(answer.get_data(as_text=True))
    assert answer.status_code == 400
    assert words in text
    assert f'value="{query.split("&")[1].removeprefix("to=")}"' in text
    assert client.get("/report/no-such?" + query).status_code == 404


def test_signatures_stand_together_and_never_alone_on_a_page():
    """A sheet that holds nothing but lines to sign could be put behind anything."""
    ends = [el("p", "Carried out by: kl"), el("p", "Witnessed by: tm")]
    for lines in range(38, 56, 2):  # wherever on a page it comes to stand
        filling = [el("p", f"line {k}") for k in range(lines)]
        cautions = el(
            "div", el("h2", "Before anyone"), el("ul", *(el("li", "x") for _ in range(4))), class_="cautions"
        )
        pages = PdfReader(
            BytesIO(pdf(paper("x", "x", *filling, cautions, el("div", *ends, class_="signatures"))))
        ).pages
        last = pages[-1].extract_text()
        signed = [page.extract_text() for page in pages if "Carried out by" in page.extract_text()]
        assert len(signed) == 1
        assert "Witnessed by" in signed[0]
        assert "Before anyone" in last, lines


def test_the_three_pictures_of_a_record_stand_together_wherever_they_come_to_stand():
    chart = Chart((0.0, 1.0), (0.0, 1.0), "across", "upwards").svg("a chart")
    titles = ("Pressure against current", "Ramp up", "Ramp down")
    drawn = styled(macro("checked.html", "pictures", [(title, chart) for title in titles]))
    for size in ("a4", "letter"):
        for lines in range(0, 48, 8):
            filling = [Markup(f"<p>line {k}</p>") for k in range(lines)]
            pages = PdfReader(BytesIO(pdf(paper("x", "x", *filling, drawn, size=size)))).pages
            words = [page.extract_text() for page in pages]
            assert max(sum(title in text for title in titles) for text in words) == 3, (size, lines)


def test_a_table_is_never_parted_from_its_heading_and_caption():
    """A heading and a caption alone at the foot of a page say that there was nothing."""
    for rows in (3, 30):
        made = styled(table("What was read", ["channel", "lowest"], [[f"row {k}", "1"] for k in range(rows)]))
        for lines in range(34, 38):  # where the foot of the page comes
            filling = [el("p", f"line {k}") for k in range(lines)]
            pages = PdfReader(BytesIO(pdf(paper("x", "x", *filling, el("h2", "Conditions"), made)))).pages
            words = next(text for page in pages if "Conditions" in (text := page.extract_text()))
            assert "What was read" in words, (rows, lines)
            assert "row 0" in words, (rows, lines)


def test_words_of_curves_do_not_stand_on_the_curve(source):
    """A rising one leaves the corner below it free, a falling one that above it."""
    sheet = source.sheet(V, source.now_ns())
    for way, ys in (("up", [0.0, 1.0]), ("down", [1.0, 0.0])):
        svg = str(ramps_figure([{"way": way, "time_s": [0.0, 1.2], "share": ys}], sheet, way))
        (height,) = re.findall(r'viewBox="0 0 \d+ (\d+)"', svg)
        (place,) = re.findall(r'y="([\d.]+)"[^>]*>found</text>', svg)
        assert (float(place) > float(height) / 2) == (way == "up")
