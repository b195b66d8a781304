"""Puts the dashboard together: one application over one `Source`."""

from __future__ import annotations

import time
from collections.abc import Callable
from importlib.metadata import PackageNotFoundError, version
from pathlib import Path
from typing import cast

from asleft.store.outbox import OutboxReader
from asleft.store.protocols import RecordStore, SampleReader
from asleft.store.work import WorkReader
from asleft.web import secure
from asleft.web.access import routes
from asleft.web.access.guard import guard
from asleft.web.access.visitor import Access, present
from asleft.web.actions import alarms as alarm_pages
from asleft.web.actions import away, new_sheet, verification_records
from asleft.web.actions import proposal as proposal_page
from asleft.web.actions import reports as report_pages
from asleft.web.actions import retune as retune_pages
from asleft.web.actions import sheets as sheet_pages
from asleft.web.actions import start as start_page
from asleft.web.actions import tables as table_files
from asleft.web.actions import units as unit_choice
from asleft.web.actions import verification as verification_pages
from asleft.web.actions import work as work_pages
from asleft.web.actions.grading import Grading
from asleft.web.pages import audit, health, presses, shell, valve
from asleft.web.reach import Place, Reach, Watched
from asleft.web.source import Source
from asleft.web.views.checks import Checks
from asleft.web.when import PlantTime
from dash import Dash

ASSETS = Path(__file__).parent / "assets"

_INDEX = """<!DOCTYPE html>
<html lang="en">
    <head>
        {%metas%}
        <title>{%title%}</title>
        <link rel="icon" type="image/svg+xml" href="/assets/mark.svg">
        {%css%}
    </head>
    <body>
        {%app_entry%}
        <noscript>This dashboard needs JavaScript, from its own server only.</noscript>
        {%config%}
        {%scripts%}
        {%renderer%}
    </body>
</html>"""


def create_app(
    samples: SampleReader,
    records: RecordStore,
    access: Access,
    *,
    zone: str = "Europe/Madrid",
    clock_ns: Callable[[], int] = time.time_ns,
) -> Dash:
    """The application, reading the two stores, behind the door that `access` keeps.

    Raises `UnknownZoneError` for a zone that does not exist, `UnguardedError` if a route or a callback has no role.
    """
    reach = Reach(clock_ns)
    source = Source(
        cast("SampleReader", Watched(samples, Place.SAMPLES, reach)),
        cast("RecordStore", Watched(records, Place.RECORDS, reach)),
        PlantTime.named(zone),
        clock_ns,
        cast("WorkReader", Watched(access.store.work, Place.RECORDS, reach)),
        cast("OutboxReader", Watched(access.store.outbox, Place.RECORDS, reach)),
    )
    app = Dash(
        __name__,
        assets_folder=str(ASSETS),
        assets_ignore=r".*\.txt",
        index_string=_INDEX,
        title="Asleft",
        update_title="",
        serve_locally=True,
        suppress_callback_exceptions=True,
        add_log_handler=False,
        use_async=False,
        enable_mcp=False,
        meta_tags=[{"name": "viewport", "content": "width=device-width, initial-scale=1"}],
    )
    app.layout = lambda: shell.layout(source, present())
    own_version = installed_version()
    shell.register(app, source, access.store.audit, own_version)
    presses.register(app, source)
    valve.register(app, source)
    health.register(app, source, own_version)
    audit.register(app, source, access.store.audit)
    rules = access.rules
    secure.protect(app.server, app.csp_hashes(), names=rules.names, any_name=rules.any_name, tls=rules.proxied)
    routes.register(app.server, access, source.time)
    alarm_pages.register(app.server, source, access.store.desk)
    new_sheet.register(app.server, source)
    sheet_pages.register(app.server, source)
    grading = Grading(source, Checks(source))
    proposal_page.register(app.server, source, grading.checks)
    start_page.register(app.server, source, access)
    work_pages.register(app.server, source, access.store.work)
    verification_pages.register(app.server, grading, access.store.verifications)
    verification_records.register(app.server, grading, access.store.verifications, own_version)
    retune_pages.register(app.server, source, own_version)
    report_pages.register(app.server, source, own_version)
    unit_choice.register(app.server, tls=rules.proxied)
    table_files.register(app.server, source, own_version)
    guard(app, access, reach)
    away.register(app.server, source, reach)
    app.server.extensions["asleft.reach"] = reach
    secure.compress(app.server)
    return app


def installed_version() -> str:
    """Of the distribution these pages come from."""
    try:
        return version("asleft")
    except PackageNotFoundError:
        return "not installed"
