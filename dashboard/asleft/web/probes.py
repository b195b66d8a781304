"""/healthz and /readyz, for machines that watch: without accounts, and nothing but ok or not."""

from __future__ import annotations

from asleft.store.access import AccessStore
from asleft.web.availability import Place, Reach, Unreachable
from flask import Flask, Response


def register(server: Flask, store: AccessStore, reach: Reach) -> None:
    """Add the two routes. Nothing is asked of a store that is known to be away."""

    @server.get("/healthz")
    def _healthz() -> Response:
        return _answer(good=True)  # who gets this answer has had a thread for it

    @server.get("/readyz")
    def _readyz() -> Response:
        return _answer(good=ready(store, reach))


def ready(store: AccessStore, reach: Reach) -> bool:
    """Whether both stores can be reached."""
    try:
        with reach.asking(Place.RECORDS, store.accounts.any):
            store.accounts.any()
    except Unreachable:
        return False
    return not reach.away()


def _answer(*, good: bool) -> Response:
    return Response("ok\n" if good else "not ok\n", 200 if good else 503, mimetype="text/plain")
