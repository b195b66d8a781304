from __future__ import annotations

import re
from html.parser import HTMLParser
from pathlib import Path

import pytest
from asleft.web import asset_files
from asleft.web.markup import Markup, el, join
from asleft.web.templates import ENVIRONMENT, details, filled, held, macro, table
from hypothesis import given
from hypothesis import strategies as st
from jinja2 import UndefinedError
from markupsafe import escape

WEB = Path(asset_files.FOLDER).parent


class Reader(HTMLParser):
    def __init__(self) -> None:
        super().__init__()
        self.tags: list[str] = []
        self.words = ""
        self.attributes: dict[str, str | None] = {}

    def handle_starttag(self, tag, attrs):
        self.tags.append(tag)
        self.attributes.update(attrs)

    def handle_data(self, data):
        self.words += data


@given(st.text(max_size=40), st.text(max_size=40))
def test_nothing_typed_by_people_becomes_markup(words, name):
    words, name = words.replace("\r", "").replace("\0", ""), name.replace("\r", "").replace("\0", "")
    reader = Reader()
    reader.feed(str(el("p", words, title=name)))
    reader.close()
    assert reader.tags == ["p"]
    assert reader.words == words
    assert reader.attributes["title"] == name


def test_markup_is_not_escaped_twice_and_nothing_is_left_out():
    assert join("a & b", Markup("<i>c</i>"), None) == "a &amp; b<i>c</i>"
    assert el("input", type="text", hidden=True, id=None) == '<input type="text" hidden>'
    assert el("td", "1", class_="n", aria_label="x") == '<td class="n" aria-label="x">1</td>'


def test_tables_have_headers_a_caption_and_can_be_scrolled_by_keyboard():
    text = table("Blocks", ["agent", "stored"], [["hall <1>", "12"]], numeric=[1])
    assert "<caption>Blocks</caption>" in text
    assert '<th scope="row">hall &lt;1&gt;</th>' in text
    assert '<td class="n" data-label="stored">12</td>' in text
    assert 'tabindex="0"' in text


def test_folds_carry_a_key():
    assert details("More", "x", key="k").strip() == '<details data-key="k"><summary>More</summary>x</details>'


HOSTILE = """<img src=x onerror=alert(1)>"'&"""


@pytest.mark.parametrize(
    "name", ["field", "choice", "table", "faults_at", "crumbs", "instead", "refused", "csv_link"]
)
def test_what_is_put_into_a_macro_stays_text(name):
    given = {
        "field": ("a", HOSTILE, HOSTILE, HOSTILE, HOSTILE),
        "choice": ("a", HOSTILE, [(HOSTILE, HOSTILE)], HOSTILE, HOSTILE, HOSTILE),
        "table": (HOSTILE, [HOSTILE, HOSTILE], [[HOSTILE, HOSTILE]]),
        "faults_at": ({HOSTILE: HOSTILE}, {}, HOSTILE),
        "crumbs": (HOSTILE, HOSTILE, HOSTILE, HOSTILE, HOSTILE, [HOSTILE]),
        "instead": (HOSTILE, HOSTILE, HOSTILE, HOSTILE),
        "refused": (HOSTILE, HOSTILE, HOSTILE, HOSTILE),
        "csv_link": (HOSTILE, HOSTILE),
    }[name]
    reader = Reader()
    reader.feed(str(macro("common.html", name, *given)))
    reader.close()
    assert "img" not in reader.tags
    assert "onerror" not in reader.attributes
    assert HOSTILE.lower() in (reader.words + " ".join(map(str, reader.attributes.values()))).lower()


@pytest.mark.parametrize("path", sorted(str(one.relative_to(WEB)) for one in WEB.rglob("*.html")))
def test_a_template_is_whole_and_knows_no_other_page(path):
    text, room = (WEB / path).read_text(), path.rpartition("/")[0]
    ENVIRONMENT.get_template(path)  # compiles
    for wanted, names in re.findall(r'{% from "([^"]+)" import ([\w, ]+?)(?: with context)? %}', text):
        assert wanted.rpartition("/")[0] in ("", room), wanted
        macros = ENVIRONMENT.get_template(wanted).module
        assert [name for name in names.split(", ") if not hasattr(macros, name)] == []
    assert not re.search(r"{% (?:include|extends)|\| *safe|autoescape", text)


DRAWINGS = {"figures.py", "control_chart.py", "evidence/scene.py", "valve/coil.py"}


def test_pages_and_papers_are_templates_and_the_builder_only_draws():
    users = {
        str(path.relative_to(WEB))
        for path in WEB.rglob("*.py")
        if re.search(r"from asleft\.web\.markup import [^\n]*\bel\b", path.read_text())
    }
    assert users == DRAWINGS


def test_a_heading_keeps_its_numbers_with_their_units_and_its_names_whole():
    text = "Agent edge-1: 116 °C & 1.6 % ± 1.8 %, 3 hours, <b>, Press 3 at 14:00, Test 1.5"
    shown = str(held(text))
    assert re.findall(r'<span class="held">([^<]*)</span>', shown) == [
        *("edge-1", "116 °C", "1.6 %", "1.8 %", "Press 3")
    ]
    assert re.sub(r"</?span[^>]*>", "", shown) == str(escape(text))


def test_a_name_that_a_template_is_not_given_is_an_error():
    with pytest.raises(UndefinedError):
        filled("audit/audit.html")
