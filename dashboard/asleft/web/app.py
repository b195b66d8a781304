"""Puts the dashboard together: one application over one `Source`, and the framework's pages by their address."""

from __future__ import annotations

import time
from collections.abc import Callable
from importlib.metadata import PackageNotFoundError, version
from typing import cast

from asleft.store.audit import AuditTrail
from asleft.store.outbox import OutboxReader
from asleft.store.protocols import RecordStore, SampleReader
from asleft.store.work import WorkReader
from asleft.web import alarms as alarm_pages
from asleft.web import alarms as alarms_table
from asleft.web import asset_files, costly, ids, secure, watched
from asleft.web import audit as audit
from asleft.web import away as away
from asleft.web import frame as unit_choice
from asleft.web import health as health
from asleft.web import health as health_table
from asleft.web import proposal as proposal_page
from asleft.web import start as start_page
from asleft.web import work as work_pages
from asleft.web.access.guard import guard
from asleft.web.access.roles import page_role
from asleft.web.access.visitor import Access, current
from asleft.web.account import routes
from asleft.web.account import sessions as session_pages
from asleft.web.api import routes as api_routes
from asleft.web.availability import Availability, Place, Watched
from asleft.web.frame import Frame, Live
from asleft.web.live import LivePage
from asleft.web.markup import Markup
from asleft.web.night import routes as night_pages
from asleft.web.presses import page as presses
from asleft.web.presses import page as presses_table
from asleft.web.report import routes as report_pages
from asleft.web.retune import routes as retune_pages
from asleft.web.sheets import routes as new_sheet
from asleft.web.sheets import routes as sheet_pages
from asleft.web.source import Source
from asleft.web.templates import macro
from asleft.web.valve import page as valve
from asleft.web.valve import table as valve_table
from asleft.web.verification import records as verification_records
from asleft.web.verification import routes as verification_pages
from asleft.web.verification.records import Grading
from asleft.web.views.checks import Checks
from asleft.web.when import PlantTime
from dash import ClientsideFunction, Dash, Input, Output, dcc, html
from dash.development.base_component import Component
from flask import Response, abort, request

# The framework's pages by their address, each with its first contents in the first answer.
#
# The framework's own tree holds what cannot be seen: stores, clocks, plots to be shown in places of the page. Its
# layout is the same for every page; the components of a page come with the page.

Made = Callable[[], LivePage | None]
_WHY_MISSING = "It may have been mistyped, or the valve has sent nothing yet and has no sheet."


class Dashboard(Dash):
    """The framework with our frame round its pages. `draw`: from its tags to the whole page, during a request."""

    draw: Callable[[dict[str, str]], str]

    def interpolate_index(self, **tags: str) -> str:  # type: ignore[override]  # given by name, as documented
        """See `Dash.interpolate_index`: what the framework has its users put in place of its own first answer."""
        return self.draw(tags)


def layout() -> Component:
    """What the framework renders before it knows which page it is on."""
    return html.Div([dcc.Location(id=ids.URL, refresh=False), html.Div(id=ids.HIDDEN)])


def page(source: Source, trail: AuditTrail, version: str, path: str, search: str | None = None) -> Made | None:
    """What makes the page of an address, None where there is none. It may find nothing."""
    path = path.rstrip("/")
    if path == "":
        return lambda: presses.page(source, search)
    if path == "/health":
        return lambda: health.page(source, version)
    if path == "/audit" or audit.before_in(path) is not None:
        return lambda: audit.page(source, trail, audit.before_in(path))
    if path.startswith("/valve/"):
        return lambda: valve.page(source, valve.id_in(path), search)
    return None


def draw(source: Source, trail: AuditTrail, version: str, tags: dict[str, str]) -> str:
    """The whole answer for the request's address. Aborts with another page where there is none, or none for them."""
    frame, needed = Frame(source, current()), page_role(request.path)
    query = request.query_string.decode(errors="replace")
    made = page(source, trail, version, request.path, f"?{query}" if query else "")
    if made is not None and needed is not None and not frame.visitor.role.may(needed):
        abort(
            _instead(frame, "Not for you", f"This page is for {needed.value}s.", "Your account may not see it.", 403)
        )
    found = None if made is None else made()
    if found is None:
        name = valve.id_in(request.path) if request.path.startswith("/valve/") else ""
        words = f"There is no valve “{name}” here." if name else "There is no page at this address."
        abort(_instead(frame, "Not found", words, _WHY_MISSING, 404))
    framework = "".join(tags[part] for part in ("config", "scripts", "renderer"))
    live = Live(Markup(tags["app_entry"]), Markup(framework), found.hidden_parts(), found.plots)
    return frame.text(found.title, found.contents, live)


def register(app: Dashboard, source: Source, trail: AuditTrail, version: str) -> None:
    """Draw pages in our frame, and put a page's own components into the framework's tree."""
    app.draw = lambda tags: draw(source, trail, version, tags)
    app.layout = layout()
    app.clientside_callback(  # type: ignore[no-untyped-call]
        ClientsideFunction("asleft", "hidden"), Output(ids.HIDDEN, "children"), Input(ids.URL, "pathname")
    )


def _instead(frame: Frame, title: str, words: str, why: str, status: int) -> Response:
    return frame.page(title, macro("common.html", "no_page", words, why), status=status)


def create_app(
    samples: SampleReader,
    records: RecordStore,
    access: Access,
    *,
    zone: str = "Europe/Madrid",
    clock_ns: Callable[[], int] = time.time_ns,
    free_bytes: Callable[[], int | None] = lambda: None,
) -> Dash:
    """The application, reading the two stores, behind the door that `access` keeps.

    `free_bytes`: what the disk of the data folder has left; None where the data are on another server. The server's
    `asleft.availability` is to `watch` the stores once it serves.

    Raises `UnknownZoneError` for a zone that does not exist, `UnguardedError` if a route or a callback has no role.
    """
    availability = Availability(clock_ns, checks={Place.SAMPLES: samples.check, Place.RECORDS: records.check})
    source = Source(
        cast("SampleReader", Watched(samples, Place.SAMPLES, availability)),
        cast("RecordStore", Watched(records, Place.RECORDS, availability)),
        PlantTime.named(zone),
        clock_ns,
        cast("WorkReader", Watched(access.store.work, Place.RECORDS, availability)),
        cast("OutboxReader", Watched(access.store.outbox, Place.RECORDS, availability)),
        away=availability.away,
        free_bytes=free_bytes,
    )
    app = Dashboard(
        __name__,
        assets_folder=str(asset_files.FOLDER),
        include_assets_files=False,  # the frame names them
        update_title="",
        serve_locally=True,
        suppress_callback_exceptions=True,
        add_log_handler=False,
        use_async=False,
        enable_mcp=False,
    )
    secure.count_to_nine_digits(app.server)
    own_version = installed_version()
    register(app, source, access.store.audit, own_version)
    presses.register(app, source)
    valve.register(app, source)
    health.register(app, source, own_version)
    audit.register(app, source, access.store.audit)
    rules = access.rules
    secure.protect(app.server, app.csp_hashes(), names=rules.names, any_name=rules.any_name, tls=rules.proxied)
    routes.register(app.server, access, source.time)
    alarm_pages.register(app.server, source, access.store.operator_actions)
    new_sheet.register_new(app.server, source)
    sheet_pages.register(app.server, source)
    grading = Grading(source, Checks(source))
    proposal_page.register(app.server, source, grading.checks)
    session_pages.register(app.server, source, access)
    start_page.register(app.server, source, access)
    work_pages.register(app.server, source, access.store.work)
    verification_pages.register(app.server, grading, access.store.verifications)
    verification_records.register(app.server, grading, access.store.verifications, own_version)
    retune_pages.register(app.server, source, own_version)
    report_pages.register(app.server, source, own_version)
    night_pages.register(app.server, source, access.store.verifications)
    asset_files.serve_joined(app.server)
    unit_choice.register_unit_choice(app.server, tls=rules.proxied)
    presses_table.register_table(app.server, source)
    valve_table.register(app.server, source)
    alarms_table.register_table(app.server, source)
    health_table.register_table(app.server, source, own_version)
    api_routes.register(app.server, source, access.store.verifications, own_version)
    secure.answer_errors(app.server)
    watched.register(app.server, access.store, availability)
    guard(app, access, availability)
    costly.take_turns(app.server, source)
    away.register(app.server, source, availability)
    app.server.extensions["asleft.availability"] = availability
    secure.compress(app.server)
    return app


def installed_version() -> str:
    """Of the distribution these pages come from."""
    try:
        return version("asleft")
    except PackageNotFoundError:
        return "not installed"
