"""The health page as one piece of HTML."""

from __future__ import annotations

from asleft.web.fragments.csv_link import csv_link
from asleft.web.fragments.progress import progress_bar
from asleft.web.markup import Child, Markup, el, join, table
from asleft.web.views.delivery import AgentView
from asleft.web.views.health import HealthView


def health_body(view: HealthView) -> Markup:
    """Sentence, agents, judging, the rest."""
    return join(
        el("h1", view.headline),
        el(
            "p",
            "A block is about one second of one valve. It counts as delivered once it is on the recorder's disk; "
            "until then the agent keeps it.",
            class_="sub",
        ),
        progress_bar(view.progress) if view.progress else None,
        el(
            "section",
            el("h2", "Delivery ", csv_link("/csv/health", "all figures of this page")),
            *_agents(view.agents),
        ),
        el("section", el("h2", "Judging"), _judged(view)),
        el("section", el("h2", "Store and versions"), _facts(view)),
    )


def _agents(agents: list[AgentView]) -> list[Markup]:
    if not agents:
        return [
            el("p", "No agent has sent anything yet. Start one with ", el("code", "asleft-agent agent.toml"), ".")
        ]
    rows: list[list[Child]] = []
    for agent in agents:
        d, b = agent.delivery, agent.delivery.balance
        rows.append(
            [
                agent.name,
                "finished" if agent.finished else {True: "online", False: "offline", None: "unknown"}[agent.online],
                agent.lag,
                _count(b.generated if b else None),
                _count(d.stored),
                _count(d.declared_gap),
                _count(b.unacknowledged if b else None),
                _count(d.duplicates),
                {True: "balanced", False: "does not balance", None: "unknown"}[d.balanced],
                agent.clock,
                agent.version,
            ]
        )
    words = [
        el(
            "p",
            el("b", agent.name),
            f": {agent.delivery.words}",
            f" The agent reports: {agent.remark}." if agent.remark else None,
            f" Its recorder is {agent.recorder}." if agent.recorder else None,
            class_="wrong" if agent.delivery.balanced is False else None,
        )
        for agent in agents
    ]
    head = [
        "agent",
        "link",
        "last block",
        "generated",
        "stored",
        "declared lost",
        "on their way",
        "sent twice",
        "count",
        "clock",
        "version",
    ]
    return [*words, table("Blocks by agent", head, rows, numeric=frozenset(range(2, 8)))]


def _judged(view: HealthView) -> Markup:
    if not view.judged:
        return el("p", "No valve yet.")
    rows: list[list[Child]] = [
        [row.label, row.valve, row.newest, f"fails: {row.trouble}" if row.trouble else row.lag, row.history]
        for row in view.judged
    ]
    return table("Judging by valve", ["valve", "id", "newest sample", "judged", "history"], rows)


def _facts(view: HealthView) -> Markup:
    pairs = [item for fact in view.facts for item in (el("dt", fact.what), el("dd", fact.value))]
    return el("dl", *pairs, class_="facts")


def _count(value: int | None) -> str:
    return "–" if value is None else f"{value:,}"
