"""Every page on a laptop, a wall, by night, with forced colours, on a phone and on paper.

Nothing moves, nothing is cut, everything can be reached, and axe finds nothing. Each page is loaded once and looked
at in all ways; pictures are kept where `PHOTOGRAPHS` is set.
"""

from __future__ import annotations

import time
from io import BytesIO
from typing import NamedTuple

import pytest
from pypdf import PdfReader

pytestmark = pytest.mark.browser

V, SWEPT = "press-2.clamp", "press-1.platen"


class Way(NamedTuple):
    """How a page is looked at."""

    size: tuple[int, int]
    night: bool = False
    forced: bool = False


WAYS = {
    "laptop": Way((1366, 800)),
    "wall": Way((1920, 1080)),
    "night": Way((1366, 800), night=True),
    "forced": Way((1366, 800), forced=True),
    "phone": Way((390, 844)),
}
PAGES = {
    "presses": "/",
    "valve": f"/valve/{V}",
    "valve-without-current": "/valve/press-4.cushion?span=1h",
    "health": "/health",
    "audit": "/audit",
    "alarms": "/alarms",
    "alarm": "/alarms/{shift}",
    "night": "/night",
    "sheet": f"/sheets/{V}",
    "revision": f"/sheets/{V}/revise",
    "proposal": f"/sheets/{SWEPT}/proposal",
    "verify": f"/verification/{SWEPT}",
    "graded": f"/verification/{SWEPT}?from={{from}}&to={{to}}",
    "retune": f"/retune/{V}",
    "work": "/work-in-progress/press-1.platen",
}
#: At most so many sheets of A4 or Letter, where it matters.
SHEETS_OF_PAPER = {"presses": 1, "valve": 2, "valve-without-current": 2}

SHIFTS = """
window.shifted = 0; window.shifts = [];
new PerformanceObserver(list => list.getEntries().forEach(entry => {
  if (entry.hadRecentInput) return;
  window.shifted += entry.value;
  const moved = entry.sources.map(s => s.node && (s.node.id || s.node.className || s.node.nodeName));
  window.shifts.push([entry.value, ...moved]);
})).observe({type: 'layout-shift', buffered: true});
"""
#: What can be pressed and is smaller than 24 px either way, but for links within a sentence (WCAG 2.2, 2.5.8).
SMALL = """() => Array.from(document.querySelectorAll('a[href], button, input, select, textarea, summary'))
  .filter(e => e.type !== 'hidden' && e.checkVisibility({visibilityProperty: true}))
  .filter(e => !e.closest('.skip, .modebar-container'))
  .filter(e => {
    const inline = e.tagName === 'A' && getComputedStyle(e).display === 'inline';
    const beside = inline && Array.from(e.parentElement.childNodes).some(
      n => n.nodeType === 3 && n.textContent.trim().length > 3);
    return !beside;
  })
  .map(e => {
    const own = e.getBoundingClientRect();
    const spread = getComputedStyle(e, '::after').position === 'absolute' ? e.closest('li, tr, .cell') : null;
    const box = spread ? spread.getBoundingClientRect() : own;
    return [Math.round(box.width * 10) / 10, Math.round(box.height * 10) / 10, e.outerHTML.slice(0, 90)];
  })
  .filter(([w, h]) => w > 0 && (w < 24 || h < 24))"""
#: Words that were broken between two lines without a hyphen or another place to break at.
BROKEN = """() => {
  const walk = document.createTreeWalker(document.querySelector('main'), NodeFilter.SHOW_TEXT);
  const found = [];
  for (let node = walk.nextNode(); node; node = walk.nextNode()) {
    if (!node.parentElement.checkVisibility() || node.parentElement.closest('svg, code, pre, .key')) continue;
    for (const word of node.textContent.matchAll(/\\p{L}{4,}/gu)) {
      const range = document.createRange();
      range.setStart(node, word.index);
      range.setEnd(node, word.index + word[0].length);
      const tops = new Set(Array.from(range.getClientRects(), box => Math.round(box.top)));
      if (tops.size > 1) found.push(word[0]);
    }
  }
  return found;
}"""
#: Elements that are cut at the right although nothing says that they scroll.
CUT = """() => Array.from(document.querySelectorAll('main *'))
  .filter(e => e.checkVisibility() && !e.closest('svg, .scroll, pre, textarea, .js-plotly-plot'))
  .filter(e => e.getBoundingClientRect().right > document.documentElement.clientWidth + 1)
  .map(e => e.outerHTML.slice(0, 90))"""


#: Words of plots that cannot be read on their ground, by the contrast of WCAG 2.2, 1.4.3.
PALE = """() => {
  const linear = c => c <= 0.04045 ? c / 12.92 : ((c + 0.055) / 1.055) ** 2.4;
  const light = (colour) => {
    const [r, g, b] = colour.match(/[\\d.]+/g).slice(0, 3).map(c => linear(Number(c) / 255));
    return 0.2126 * r + 0.7152 * g + 0.0722 * b;
  };
  return Array.from(document.querySelectorAll('.plot text'))
    .filter(e => e.textContent.trim() && e.checkVisibility())
    .map(e => [getComputedStyle(e).fill, getComputedStyle(e.closest('.plot')).backgroundColor, e.textContent])
    .filter(([ink, ground]) => {
      const [dark, bright] = [light(ink), light(ground)].sort((one, other) => one - other);
      return (bright + 0.05) / (dark + 0.05) < 4.5;
    });
}"""
#: Groups of links or buttons in which what is chosen looks like what is not.
ALIKE = """() => [
    ['#nav a', '[aria-current]'], ['.units button', '[aria-pressed=true]'],
    ['#window-spans .choices a', '[aria-current]'],
  ].filter(([all, chosen]) => {
    const seen = Array.from(document.querySelectorAll(all), e => [e.matches(chosen), getComputedStyle(e)]);
    const grounds = seen.filter(([is]) => !is).map(([, style]) => style.backgroundColor);
    return seen.some(([is, style]) => is && grounds.includes(style.backgroundColor));
  })"""


#: Of what stands in the cells of a table that is shown as cards: what lies below the heading beside it.
ASTRAY = """() => Array.from(document.querySelectorAll('.cards td[data-label]:not(.verdict) > *'))
  .filter(e => e.checkVisibility() && !e.closest('details'))
  .filter(e => e.getBoundingClientRect().left < e.parentElement.getBoundingClientRect().left + 90)
  .map(e => e.outerHTML.slice(0, 90))"""
#: Headings with nothing under them, as where what is there can only be pressed.
ALONE = """() => Array.from(document.querySelectorAll('main h2'))
  .filter(e => e.checkVisibility())
  .filter(e => {
    for (let next = e.nextElementSibling; next && next.tagName !== 'H2'; next = next.nextElementSibling)
      if (next.checkVisibility() && next.getBoundingClientRect().height > 0) return false;
    return true;
  })
  .map(e => e.textContent)"""
#: Words of pictures that reach out of them at either side.
CUT_WORDS = """() => Array.from(document.querySelectorAll('.drawn text')).filter(e => {
  const [own, box] = [e.getBoundingClientRect(), e.closest('.drawn').getBoundingClientRect()];
  return own.width > 0 && (own.left < box.left || own.right > box.right);
}).map(e => e.textContent)"""


#: Buttons whose words have the colour of the canvas, which in forced colours lies behind words on any ground.
UNSEEN = """() => Array.from(document.querySelectorAll('main button, header button'))
  .filter(e => e.checkVisibility() && getComputedStyle(e).forcedColorAdjust !== 'none')
  .filter(e => getComputedStyle(e).color === getComputedStyle(document.body).backgroundColor)
  .map(e => e.textContent)"""


@pytest.mark.parametrize("name", PAGES)
def test_every_page_every_way(looked_at, visit, name):
    url, names = looked_at
    visitor = visit("laptop", "administrator")
    page = visitor.page
    page.set_viewport_size({"width": 1366, "height": 800})
    page.add_init_script(SHIFTS)
    visitor.open(url + PAGES[name].format(**names))
    if name.startswith("valve"):
        page.wait_for_selector("#window-words details")
        page.wait_for_selector("#history figure, #history p")
    assert page.locator("h1").count() == 1
    for way, how in WAYS.items():
        page.set_viewport_size({"width": how.size[0], "height": how.size[1]})
        page.emulate_media(
            color_scheme="dark" if how.night else "light", forced_colors="active" if how.forced else "none"
        )
        if way == "laptop":
            assert page.evaluate("window.shifted") < 0.05, page.evaluate("window.shifts")
        visitor.photograph(f"{name}-{way}")
        assert page.evaluate("document.documentElement.scrollWidth <= document.documentElement.clientWidth"), way
        assert page.evaluate(CUT) == [], way
        assert page.evaluate(BROKEN) == [], way
        if way in ("laptop", "night", "phone"):
            assert visitor.axe() == [], way
        if way == "night":
            assert page.evaluate(PALE) == []
        if way == "phone":
            assert page.evaluate(ASTRAY) == []
        if name == "valve":  # what is cut says that it goes on
            assert page.locator(".slide").is_visible() is (way == "phone")
        if way == "forced":
            assert page.evaluate(ALIKE) == []
            assert page.evaluate(UNSEEN) == []
    assert page.evaluate(SMALL) == []
    assert page.evaluate("document.querySelector('header').getBoundingClientRect().height") < 90
    page.set_viewport_size({"width": 1366, "height": 800})
    page.emulate_media(media="print", forced_colors="none")
    for size in ("A4", "Letter"):
        minutes = [page.locator("#clock").inner_text().rpartition(":")[0]]
        printed = PdfReader(BytesIO(page.pdf(format=size)))
        minutes.append(page.locator("#clock").inner_text().rpartition(":")[0])  # it may have gone on meanwhile
        assert len(printed.pages) <= SHEETS_OF_PAPER.get(name, 4), size
        words = " ".join("".join(sheet.extract_text() for sheet in printed.pages).split())
        assert page.locator("h1").inner_text().split()[0] in words
        if name != "night":  # says when it was made in a line of its own
            assert any(minute in words for minute in minutes)
    assert page.evaluate(ALONE) == []
    if name == "valve":
        assert "Press 2 / clamp pressure" in words


#: As the head is for somebody with a long name and mail, far from Europe, with many alarms.
CROWDED = """() => {
  document.querySelector('.zone').textContent = 'Plant time, America/Argentina/ComodRivadavia';
  document.querySelector('.account a').textContent = 'technician-of-the-night-shift, 12 to read';
  document.querySelector('#nav a[href="/alarms"]').textContent = 'Alarms 108';
}"""
#: As it is for an administrator with messages to read, in a zone.
OF_AN_ADMINISTRATOR = """(zone) => {
  const [of, city] = [document.querySelector('.zone .of'), zone.split('/').pop()];
  of.textContent = 'Plant time, ' + zone.slice(0, -city.length);
  of.nextSibling.textContent = city;
  document.querySelector('.account a').textContent = 'administrator, 12 to read';
}"""
#: Middles of what stands in the head, and what of it reaches over the window's edge.
IN_THE_HEAD = """() => {
  const boxes = Array.from(document.querySelectorAll('.top > *'), e => e.getBoundingClientRect());
  const edge = document.documentElement.clientWidth;
  return [boxes.map(b => (b.top + b.bottom) / 2), boxes.filter(b => b.right > edge).length];
}"""


def test_the_head_is_one_line_on_a_laptop_whoever_looks_and_wherever(looked_at, visit):
    url, _ = looked_at
    page = visit("laptop", "administrator").open(url)
    for width in (1366, 1600, 1920):  # a zone for which there is room stands beside the time it is of
        page.set_viewport_size({"width": width, "height": 800})
        page.evaluate(OF_AN_ADMINISTRATOR, "America/Argentina/ComodRivadavia" if width < 1600 else "Europe/Madrid")
        clock, zone = (page.locator(name).bounding_box() for name in (".clock", ".zone"))
        assert clock["x"] + clock["width"] <= zone["x"], width
        assert abs(clock["y"] + clock["height"] / 2 - zone["y"] - zone["height"] / 2) < 3, width
    for width in (1280, 1366, 1920):
        page.set_viewport_size({"width": width, "height": 800})
        page.evaluate(CROWDED)
        middles, over = page.evaluate(IN_THE_HEAD)
        assert max(middles) - min(middles) < 12, width
        assert over == 0, width
        assert page.evaluate("document.querySelector('header').getBoundingClientRect().height") < 62, width
        assert page.locator(".zone").inner_text().endswith("ComodRivadavia")


def test_the_words_of_a_picture_are_whole_on_a_phone(looked_at, visit):
    url, names = looked_at
    page = visit("phone").open(url + PAGES["alarm"].format(**names))
    page.wait_for_selector(".drawn .main-svg")
    assert page.evaluate(CUT_WORDS) == []


def test_a_record_fits_a_phone(desk, visit, load_fixture):
    url, records, _ = desk
    hands = load_fixture("fixture_hand")
    hand = hands.Hand(time.time_ns() - 1500 * 10**9, [*hands.strokes(), *hands.sweep()])
    records.hands.setdefault(SWEPT, []).append(hand)
    ends = [time.strftime("%Y-%m-%dT%H:%M:%SZ", time.gmtime(at / 1e9)) for at in (hand.start_ns, hand.end_ns)]
    page = visit("phone", "technician").open(
        f"{url}/verification/{SWEPT}/record?found_from={ends[0]}&found_to={ends[1]}"
    )
    for name, value in (("load_state", "stop"), ("decision", "not-accepted")):
        page.select_option(f"#{name}", value)
    page.locator("main button[type=submit]").click()
    page.wait_for_selector(".signatures")
    assert page.evaluate("document.documentElement.scrollWidth <= document.documentElement.clientWidth")
    assert "±" in page.locator("main table").nth(1).inner_text()


def test_a_valves_page_answers_in_its_first_screen(looked_at, visit):
    """Sentence, strip, the picture of what moved, and what to do about it, without scrolling, on a laptop."""
    url, _ = looked_at
    page = visit("laptop", "administrator").open(f"{url}/valve/{V}")
    page.set_viewport_size({"width": 1366, "height": 800})
    for what in ("main h1", "#valve-strip svg", "#valve-findings .evidence", "#valve-opening .to-do"):
        box = page.locator(what).first.bounding_box()
        assert box["y"] + box["height"] <= 800, (what, box)
    words = page.locator(".to-do").inner_text().replace("\u00a0", " ")
    assert words.startswith("What to do first: with the press made safe, compare what is dialled")


def test_words_of_a_log_stay_whole_beside_a_long_comment(looked_at, visit):
    url, names = looked_at
    page = visit("laptop").open(url + PAGES["alarm"].format(**names))
    page.evaluate(
        "document.querySelector('.log td:last-child').textContent = 'a long comment of somebody '.repeat(20)"
    )
    assert page.evaluate(BROKEN) == []


def test_a_wall_shows_eight_valves_without_scrolling(looked_at, visit):
    url, _ = looked_at
    page = visit("wall").open(url)
    assert page.locator(".fleet .row").count() == 8
    last = page.locator(".fleet .row").last.bounding_box()
    assert last["y"] + last["height"] <= 1080


def test_what_changes_after_the_first_answer_moves_nothing_on_a_phone_or_a_wall(looked_at, visit):
    url, _ = looked_at
    for size in ("phone", "wall"):
        visitor = visit(size)
        visitor.page.add_init_script(SHIFTS)
        page = visitor.open(f"{url}/valve/{V}")
        page.wait_for_selector("#window-words details")
        page.wait_for_selector("#history figure")
        assert page.evaluate("window.shifted") < 0.05, (size, page.evaluate("window.shifts"))


def test_words_stand_before_any_script_runs(looked_at, browser, enter):
    """The first answer alone is the page: with scripts off the sentence, the strip and the settings are there."""
    url, _ = looked_at
    context = browser.new_context(java_script_enabled=False)
    enter(context, url)
    page = context.new_page()
    page.goto(f"{url}/valve/{V}")
    assert "Ramp up takes 2.10 s" in page.locator("main h1").inner_text()
    assert page.locator("#valve-sheet tbody tr").count() == 12
    assert page.locator("#valve-strip svg").count() == 1
    page.locator("#span-1h").click()
    assert page.url.endswith("?span=1h")
    assert page.locator("#window-spans a[aria-current]").inner_text() == "1 hour"
    context.close()
