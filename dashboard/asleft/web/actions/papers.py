"""Documents as answers: HTML that may load nothing, or the same as PDF."""

from __future__ import annotations

from asleft.web.frame import Frame
from asleft.web.markup import el
from asleft.web.report.paper import PdfUnavailableError, pdf
from flask import Response

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
        return frame.page("No report", el("h1", str(error)), el("p", el("a", "All presses", href="/")), status=501)
    answer = Response(body, mimetype="application/pdf")
    answer.headers["Content-Disposition"] = f'inline; filename="asleft-{name}.pdf"'
    return answer
