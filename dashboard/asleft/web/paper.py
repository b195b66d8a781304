"""What every report is printed on: one HTML document without script or anything from elsewhere, and its PDF."""

from __future__ import annotations

import re
from collections.abc import Mapping, Sequence

from asleft.web import palette
from asleft.web.frame import Frame
from asleft.web.markup import Child, Markup, join
from asleft.web.templates import UNIT, filled, macro
from flask import Response

#: Pictures carry their style within themselves: a PDF maker takes each for a document of its own.
_PICTURES = f"""
.band {{ fill: {palette.BAND}; }} .left {{ stroke: {palette.EXPECTED}; stroke-width: 1; fill: none; }}
.whisker {{ stroke: {palette.TEXT}; stroke-width: 1.2; fill: none; }}
.dot {{ stroke: {palette.TEXT}; stroke-linecap: round; fill: none; }}
.ring {{ stroke: {palette.TEXT}; stroke-width: 1.6; fill: #ffffff; }}
.unseen {{ stroke: {palette.MUTED}; stroke-width: 1.1; fill: #ffffff; }}
.beyond {{ fill: {palette.SHIFT}; }} .figure {{ fill: {palette.SHIFT}; font-weight: 600; }}
.history .dot {{ stroke-width: 3.6; }}
.zone {{ stroke: {palette.EXPECTED}; stroke-width: 1; stroke-dasharray: 1 3; fill: none; }}
.revised {{ stroke: {palette.MUTED}; stroke-width: 1; fill: none; }}
.fan {{ fill: {palette.DIGEST}; fill-opacity: 0.13; }}
.trend {{ stroke: {palette.DIGEST}; stroke-width: 1.3; stroke-dasharray: 5 3; fill: none; }}
.reach {{ stroke: {palette.DIGEST}; stroke-width: 1; stroke-dasharray: 1 2; fill: none; }}
.onset {{ stroke: {palette.SHIFT}; stroke-width: 1.4; stroke-dasharray: 3 2; fill: {palette.SHIFT}; }}
.chart .grid {{ stroke: #d5dadd; stroke-width: 0.6; fill: none; }}
.chart .left {{ stroke: {palette.EXPECTED}; stroke-width: 1.6; fill: none; stroke-dasharray: 5 3; }}
.chart .thin {{ stroke: {palette.MEASURED}; stroke-width: 0.8; fill: none; }}
.chart .tip {{ fill: {palette.TEXT}; stroke: {palette.TEXT}; stroke-width: 0.8; }}
.chart .tip.before {{ fill: #ffffff; stroke: {palette.MUTED}; }}
.chart .trace {{ stroke: {palette.TEXT}; stroke-width: 1.4; fill: none; }}
.chart .trace.before {{ stroke: {palette.MUTED}; stroke-dasharray: 2 3; }}
text {{ font-family: sans-serif; font-size: 11px; fill: {palette.MUTED}; }} .strong {{ fill: {palette.TEXT}; }}
"""
_STYLE = f"""
@page {{ margin: 18mm 16mm 20mm; @bottom-right {{ content: counter(page) " of " counter(pages); width: 14%;
  font: 7.5pt sans-serif; color: {palette.MUTED}; }} @bottom-left {{ content: string(foot); width: 86%;
  font: 7.5pt sans-serif; color: {palette.MUTED}; text-align: left; }} }}
html {{ font: 10.5pt/1.42 sans-serif; color: {palette.TEXT}; }}
body {{ max-width: 190mm; margin: 0 auto; padding: 1rem; }}
@media print {{ body {{ max-width: none; padding: 0; }} }}
.foot {{ string-set: foot content(); color: {palette.MUTED}; font-size: 9pt; }}
h1 {{ font-size: 17pt; line-height: 1.25; margin: 0.2em 0 0.3em; }}
h2 {{ font-size: 12pt; margin: 1.5em 0 0.4em; break-after: avoid; }}
p {{ margin: 0.3em 0; }} ul {{ margin: 0.3em 0; padding-left: 1.3em; }}
table {{ border-collapse: collapse; width: 100%; font-size: 9pt; }}
caption {{ text-align: left; color: {palette.MUTED}; padding-bottom: 0.3em; break-after: avoid; }}
th, td {{ text-align: left; vertical-align: top; padding: 0.28em 0.7em 0.28em 0;
  border-bottom: 0.5pt solid #b9c0c5; }}
table.many {{ font-size: 6.7pt; }} .many th, .many td {{ padding-right: 0.35em; }}
.many tbody th {{ white-space: nowrap; }}
thead th {{ font-weight: 400; color: {palette.MUTED}; }} tbody th {{ font-weight: 400; }}
tr, figure, li {{ break-inside: avoid; }} li.long {{ break-inside: auto; }}
.pictures {{ orphans: 1; widows: 1; }} thead {{ display: table-header-group; }}
.n {{ text-align: right; }} td.n {{ white-space: nowrap; }} .n + :not(.n) {{ padding-left: 0.8em; }}
.out th, .out td {{ font-weight: 700; color: {palette.SHIFT}; }}
.sub {{ color: {palette.MUTED}; }} .strip {{ width: 100%; height: auto; }}
.names {{ display: table; table-layout: fixed; width: 100%; font-size: 7.5pt; color: {palette.MUTED}; }}
.names span {{ display: table-cell; text-align: center; }}
figure {{ display: inline-block; width: 48%; margin: 0 1% 0.8em 0; vertical-align: top; }}
figure .chart {{ width: 100%; height: auto; }}
.abreast {{ break-inside: avoid; margin-top: 0.8em; }} .abreast figure {{ width: 32%; }}
.signatures {{ break-inside: avoid; break-before: avoid; }} .signatures p {{ margin: 1.6em 0 0; }}
.sign {{ display: inline-block; width: 42mm; border-bottom: 0.6pt solid {palette.TEXT}; margin: 0 0.6em; }}
ul.done {{ list-style: none; padding-left: 0; }} ul.notes {{ font-size: 8pt; }}
figure.evidence {{ display: block; width: 74%; margin: 0.5em 0 0.8em; }}
figure.evidence .picture {{ width: 100%; height: auto; }}
figcaption {{ font-size: 9pt; font-weight: 600; }}
figure p {{ font-size: 8.5pt; padding-right: 1.2em; }}
.history {{ width: 100%; height: auto; }}
.part {{ break-before: page; }} .contents {{ padding-left: 1.4em; }} .contents li {{ margin: 0.35em 0; }}
.entry {{ color: inherit; text-decoration: none; }}
.entry::after {{ content: leader(".") target-counter(attr(href url), page); }}
.cautions {{ break-inside: avoid; border-left: 3pt solid {palette.SHIFT}; padding-left: 0.8em; }}
"""


#: Sizes of paper by the word of an address or an option, as CSS names them.
SIZES: Mapping[str, str] = {"a4": "A4", "letter": "letter"}


class PdfUnavailableError(RuntimeError):
    """This machine lacks what makes PDFs; the message says what to do."""


def paper(title: str, foot: str, *contents: Child, size: str = "a4") -> str:
    """A whole document. `foot` stands at the foot of every printed page; `size` is one of `SIZES`."""
    style = Markup(f"{_STYLE}@page {{ size: {SIZES[size]}; }}\n")
    return filled("paper.html", title=title, foot=foot, style=style, contents=unparted(join(*contents)))


#: A number and its unit, or its share of something.
_QUANTITY = re.compile(rf"(?<=[0-9–]) (?={UNIT})")
#: What a browser shows as text: beside tags, and not the style within a picture.
_TAGS = re.compile(r"(<style>.*?</style>|<[^>]*>)", re.DOTALL)


def unparted(markup: str) -> Markup:
    """The same with numbers and units held together: no line ends between them."""
    pieces = _TAGS.split(markup)
    pieces[::2] = [_QUANTITY.sub("\u00a0", text) for text in pieces[::2]]
    return Markup("".join(pieces))


def bound(title: str, foot: str, front: Child, documents: Sequence[tuple[str, str]], *, size: str = "a4") -> str:
    """Documents that `paper` made in one, each on pages of its own, behind a front page that lists them.

    `documents`: title and document of each; `front` stands above the list.
    """
    inner = [(name, Markup(_inner(document))) for name, document in documents]
    return paper(title, foot, macro("paper_parts.html", "bound", front, inner), size=size)


def _inner(document: str) -> str:
    """What stands within the pages of a document of `paper`."""
    return document.split("<main>", 1)[1].rsplit("</main>", 1)[0]


#: Each rule with the names it asks for: classes, or an element.
_RULES = [(frozenset(re.findall(r"[\w-]+", names)), f"{names.strip()} {{{body}}}")
          for names, body in re.findall(r"([^{}]+)\{([^{}]*)\}", _PICTURES)]  # fmt: skip


def picture(svg: Markup) -> Markup:
    """An SVG with its style inside it: the rules that speak of it, since each is read for each picture."""
    there = {name for names in re.findall(r'class="([^"]*)"', svg) for name in names.split()} | {"text"}
    style = "".join(rule for names, rule in _RULES if names <= there)
    return Markup(re.sub(r"(<svg[^>]*>)", rf"\1<style>{style}</style>", str(svg), count=1))


def pdf(html: str) -> bytes:
    """The document as PDF.

    Raises:
        PdfUnavailableError: the system's text libraries (pango) are not there.
    """
    try:
        from weasyprint import HTML  # type: ignore[import-untyped]
        from weasyprint.urls import URLFetcher  # type: ignore[import-untyped]
    except OSError as error:
        raise PdfUnavailableError(
            "PDFs need the system's pango library, which is not here (Debian: libpango-1.0-0 libpangoft2-1.0-0). "
            "Open the HTML report in a browser and print it there to a PDF file."
        ) from error

    class Nothing(URLFetcher):  # type: ignore[misc]  # the library is not typed
        """A report has all it needs within itself; whatever else it names is not fetched."""

        def fetch(self, url: str, headers: object = None) -> object:
            """Refuse."""
            raise ValueError(f"a report fetches nothing: {url[:60]}")

    document: bytes = HTML(string=html, url_fetcher=Nothing()).write_pdf()
    return document


def styled(text: Markup) -> Markup:
    """Every picture with its style inside it, as paper needs them."""
    head, *rest = str(text).split("<svg")
    out = [head]
    for part in rest:
        svg, tail = part.split("</svg>", 1)
        out.append(str(picture(Markup(f"<svg{svg}</svg>"))) + tail)
    return Markup("".join(out))


POLICY = "default-src 'none'; style-src 'unsafe-inline'; img-src data:; base-uri 'none'; frame-ancestors 'none'"


def document(text: str, kind: str, name: str, frame: Frame) -> Response:
    """A report as `kind`, "html" or "pdf"; a page that says what to do where no PDF can be made."""
    if kind == "html":
        answer = Response(text, mimetype="text/html")
        answer.headers["Content-Security-Policy"] = POLICY
        return answer
    try:
        body = pdf(text)
    except PdfUnavailableError as error:
        return frame.missing("No report", str(error), status=501)
    answer = Response(body, mimetype="application/pdf")
    answer.headers["Content-Disposition"] = f'inline; filename="asleft-{name}.pdf"'
    return answer
