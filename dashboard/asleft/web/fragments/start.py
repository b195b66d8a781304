"""The first-run guide as HTML: steps in order, each with what is seen of it and what to write."""

from __future__ import annotations

from asleft.web import words_start as examples
from asleft.web.markup import Child, Markup, details, el, join
from asleft.web.views.start import StartView
from asleft.web.words import CAUTIONS


def steps(view: StartView, why_not: str) -> Markup:
    """All steps. Where one is done, what to write is folded away. `why_not`: why its reader may enter nothing."""
    bodies: dict[str, list[Child]] = {
        "accounts": [
            el(
                "p",
                "Whoever runs the machine makes them, DIR being the recorder's data folder. From the first one on "
                "everybody signs in; a technician may enter things, a viewer looks.",
            ),
            _code(examples.ACCOUNT, "accounts"),
        ],
        "recorder": [
            el(
                "p",
                "The broker carries blocks from the agents to the recorder, which stores and judges them. On one "
                "machine, each in a terminal of its own; with other machines on the network the broker needs TLS "
                "and an access list (folder compose).",
            ),
            _code(examples.RECORDER, "broker and recorder"),
        ],
        "agent": [
            el(
                "p",
                "The agent stands beside the instrument, reads it a hundred times a second and sends a block of "
                "about a second of each valve. It keeps every block on disk until the recorder says it is "
                "stored. It only reads: no function that writes can be sent.",
            ),
            el("p", "Over Modbus TCP, as agent.toml:"),
            _code(examples.MODBUS_TOML, "settings of an agent over Modbus TCP"),
            el("p", "Or a logger's file, played back, to see how all this looks:"),
            _code(examples.CSV_TOML, "settings of an agent that plays back a file"),
            el("p", "Then:"),
            _code(examples.TRY_AGENT, "starting the agent"),
            el("p", f"{CAUTIONS[2]} {CAUTIONS[0]}", class_="form-caution"),
        ],
        "sheet": [
            el(
                "p",
                "The sheet says how the valve was left: signal, currents at 0 and 100 %, ramps, pressures. Valve id, "
                "signal and one setting are enough to start; it is refined in revisions.",
            ),
            el("p", why_not or el("a", "Begin the first sheet of a valve", href="/sheets/new")),
        ],
        "judged": [
            el(
                "p",
                "A few minutes of production give the first currents and ramps; “as left (measured)” takes about an "
                "hour. What production cannot show is “not observed”, with the reason.",
            ),
            el("p", "A logger's file can be judged without any of this: ", el("code", examples.ONE_LOG), "."),
        ],
    }
    items = []
    for step in view.steps:
        body: list[Child] = list(bodies[step.key])
        folded = details("How it is done", *body, key=step.key) if step.done else join(*body)
        items.append(
            el(
                "li",
                el("h2", step.title, " ", el("small", "done" if step.done else "not yet")),
                el("p", step.seen, class_="seen"),
                _waiting(view, may_enter=not why_not) if step.key == "sheet" else None,
                _links() if step.key == "judged" and step.done else None,
                folded,
                class_="done" if step.done else "open",
                id=f"step-{step.key}",
            )
        )
    return el("ol", *items, class_="guide")


def _waiting(view: StartView, *, may_enter: bool) -> Markup | None:
    if not view.waiting:
        return None
    rows = [
        el(
            "li",
            el("a", f"File the first sheet of {one.valve}", href=one.href) if may_enter else one.valve,
            f" – {one.words}",
        )
        for one in view.waiting
    ]
    return el("ul", *rows)


def _links() -> Markup:
    return el(
        "p",
        el("a", "All presses", href="/"),
        " · ",
        el("a", "Alarms", href="/alarms"),
        ", of which “asleft notify” tells people · ",
        el("a", "Is everything arriving?", href="/health"),
    )


def _code(text: str, what: str) -> Markup:
    return el("pre", el("code", text), tabindex="0", role="region", aria_label=f"Example: {what}")
