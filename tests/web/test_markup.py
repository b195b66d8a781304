from __future__ import annotations

from html.parser import HTMLParser

from asleft.web.markup import Markup, details, el, join, table
from hypothesis import given
from hypothesis import strategies as st


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
    reader.feed(el("p", words, title=name))
    reader.close()
    assert reader.tags == ["p"]
    assert reader.words == words
    assert reader.attributes["title"] == name


def test_markup_is_not_escaped_twice_and_nothing_is_left_out():
    assert join("a & b", Markup("<i>c</i>"), None) == "a &amp; b<i>c</i>"
    assert el("input", type="text", hidden=True, id=None) == '<input type="text" hidden>'
    assert el("td", "1", class_="n", aria_label="x") == '<td class="n" aria-label="x">1</td>'


def test_tables_have_headers_a_caption_and_can_be_scrolled_by_keyboard():
    text = table("Blocks", ["agent", "stored"], [["hall <1>", "12"]], numeric=frozenset({1}))
    assert "<caption>Blocks</caption>" in text
    assert '<th scope="row">hall &lt;1&gt;</th>' in text
    assert '<td class="n">12</td>' in text
    assert 'tabindex="0"' in text


def test_folds_carry_a_key():
    assert details("More", "x", key="k") == '<details data-key="k"><summary>More</summary>x</details>'
