"""Puts the dashboard together: one application over one `Source`."""

from __future__ import annotations

import time
from collections.abc import Callable
from importlib.metadata import PackageNotFoundError, version
from typing import cast

from asleft.store.outbox import OutboxReader
from asleft.store.protocols import RecordStore, SampleReader
from asleft.store.work import WorkReader
from asleft.web import addresses, asset_files, costly, probes, secure, shell
from asleft.web import unit_routes as unit_choice
from asleft.web.access.guard import guard
from asleft.web.access.visitor import Access
from asleft.web.account import routes
from asleft.web.account import sessions as session_pages
from asleft.web.alarms import routes as alarm_pages
from asleft.web.alarms import table as alarms_table
from asleft.web.api import routes as api_routes
from asleft.web.audit import page as audit
from asleft.web.availability import Place, Reach, Watched
from asleft.web.away import routes as away
from asleft.web.health import page as health
from asleft.web.health import table as health_table
from asleft.web.night import routes as night_pages
from asleft.web.presses import page as presses
from asleft.web.presses import table as presses_table
from asleft.web.proposal import routes as proposal_page
from asleft.web.report import routes as report_pages
from asleft.web.retune import routes as retune_pages
from asleft.web.sheets import new as new_sheet
from asleft.web.sheets import routes as sheet_pages
from asleft.web.source import Source
from asleft.web.start import routes as start_page
from asleft.web.valve import page as valve
from asleft.web.valve import table as valve_table
from asleft.web.valve import window_table
from asleft.web.verification import records as verification_records
from asleft.web.verification import routes as verification_pages
from asleft.web.verification.records import Grading
from asleft.web.views.checks import Checks
from asleft.web.when import PlantTime
from asleft.web.work import routes as work_pages
from dash import Dash


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
    `asleft.reach` is to `watch` the stores once it serves.

    Raises `UnknownZoneError` for a zone that does not exist, `UnguardedError` if a route or a callback has no role.
    """
    reach = Reach(clock_ns, checks={Place.SAMPLES: samples.check, Place.RECORDS: records.check})
    source = Source(
        cast("SampleReader", Watched(samples, Place.SAMPLES, reach)),
        cast("RecordStore", Watched(records, Place.RECORDS, reach)),
        PlantTime.named(zone),
        clock_ns,
        cast("WorkReader", Watched(access.store.work, Place.RECORDS, reach)),
        cast("OutboxReader", Watched(access.store.outbox, Place.RECORDS, reach)),
        away=reach.away,
        free_bytes=free_bytes,
    )
    app = shell.Dashboard(
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
    addresses.count_to_nine_digits(app.server)
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
    session_pages.register(app.server, source, access)
    start_page.register(app.server, source, access)
    work_pages.register(app.server, source, access.store.work)
    verification_pages.register(app.server, grading, access.store.verifications)
    verification_records.register(app.server, grading, access.store.verifications, own_version)
    retune_pages.register(app.server, source, own_version)
    report_pages.register(app.server, source, own_version)
    night_pages.register(app.server, source, access.store.verifications)
    asset_files.serve_joined(app.server)
    unit_choice.register(app.server, tls=rules.proxied)
    for tables in (presses_table, valve_table, window_table, alarms_table):
        tables.register(app.server, source)
    health_table.register(app.server, source, own_version)
    api_routes.register(app.server, source, access.store.verifications, own_version)
    addresses.answer_errors(app.server)
    probes.register(app.server, access.store, reach)
    guard(app, access, reach)
    costly.take_turns(app.server, source)
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
