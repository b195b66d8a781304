"""Whether what the presses send can be stored and seen at all; and if not, why, in a sentence.

Asked before any press or agent is called silent: what cannot be stored looks like it from here.
"""

from __future__ import annotations

from collections.abc import Mapping

from asleft.store.protocols import Health
from asleft.web.availability import Place
from asleft.web.source import Source
from asleft.web.views.disk_room import FULL_BYTES, size_words
from asleft.web.views.recorders import REPORT_WITHIN_S
from asleft.web.when import age


def stores_trouble(source: Source) -> str:
    """What the pages find out themselves: the readings cannot be reached, or the disk is full; else empty."""
    lost = next((one for one in source.away() if one.place is Place.SAMPLES), None)
    if lost is not None:
        since = source.time.moment(lost.since_ns, source.now_ns())
        return f"The readings cannot be reached since {since}: {lost.why.rstrip('.')}."
    free = source.free_bytes()
    if free is not None and free < FULL_BYTES:
        return (
            f"The disk of the data folder is full ({size_words(free)} free): nothing can be stored or judged until "
            "there is room; agents keep their blocks meanwhile, as long as their spools last."
        )
    return ""


def silent_words(recorder: Health | None, now_ns: int) -> str:
    """That the recorder has not reported; empty where it has."""
    if recorder is not None and (now_ns - recorder.at_ns) / 1e9 <= REPORT_WITHIN_S:
        return ""
    since = "" if recorder is None else f" for {age((now_ns - recorder.at_ns) / 1e9)}"
    return (
        f"The recorder has not reported{since}: it does not run, or cannot write here. Nothing is stored or judged "
        "until it does."
    )


def recorder_trouble(recorder: Health | None) -> str:
    """What the recorder says of its broker and its storing; empty where both are well."""
    details: Mapping[str, object] = {} if recorder is None else recorder.details
    if details.get("broker_connected") is False:
        return "The recorder has lost the broker; agents keep their blocks until it is back."
    if details.get("storing_fails") is True:
        why = str(details.get("last_error") or "no reason given").removeprefix("storing failed: ").rstrip(".")
        return f"Nothing can be stored at present; agents keep their blocks until it can be: {why}."
    return ""


def storing_trouble(source: Source, recorder: Health | None, now_ns: int) -> str:
    """Why nothing new can be seen, whatever the presses do; empty where nothing stands in the way."""
    return (
        stores_trouble(source)
        or ("" if recorder is None else silent_words(recorder, now_ns))
        or recorder_trouble(recorder)
    )
