"""The agent's figures for a machine that collects them, as Prometheus families. Names and units are a promise."""

from __future__ import annotations

from collections import Counter
from collections.abc import Callable, Iterator, Sequence

from asleft.edge.figures import AgentFigures
from asleft.edge.sampler import SamplerCounters
from prometheus_client.core import CounterMetricFamily, GaugeMetricFamily, InfoMetricFamily, Metric
from prometheus_client.registry import Collector

_FIELDS = {
    "sampling_faults": "faults",
    "repeated_readings": "repeated",
    "late_readings": "late",
    "malformed_messages": "malformed",
    "holes": "lost",
}


class AgentCollector(Collector):
    """Asks for the figures whenever somebody collects."""

    def __init__(self, figures: Callable[[], AgentFigures]) -> None:
        self._figures = figures

    def collect(self) -> Iterator[Metric]:
        """The families."""
        now = self._figures()
        info = InfoMetricFamily("asleft_agent", "The agent and its version.")
        info.add_metric([], {"agent": now.agent, "version": now.version})
        yield info
        yield from _of_instruments(now.instruments)
        yield GaugeMetricFamily(
            "asleft_agent_failing_valves",
            "Valves with a failed reading in their latest block.",
            value=sum(len(counters.failing) for _, counters in now.instruments),
        )
        yield CounterMetricFamily("asleft_agent_bursts", "Bursts taken.", value=now.bursts)
        yield GaugeMetricFamily("asleft_agent_spool_bytes", "Size of what the spool holds.", now.spool.bytes_used)
        yield GaugeMetricFamily("asleft_agent_spool_limit_bytes", "Size it may grow to.", now.spool_limit_bytes)
        yield GaugeMetricFamily(
            "asleft_agent_waiting_blocks", "Blocks the recorder has not confirmed.", now.spool.unacknowledged
        )
        for name, what, count in (
            ("dropped_blocks", "Blocks the full spool gave up before they were confirmed.", now.spool.blocks_dropped),
            ("dropped_bursts", "Bursts the full spool gave up before they were confirmed.", now.spool.bursts_dropped),
            ("lost_blocks", "Blocks the disk did not take.", now.lost_blocks),
            ("broker_connections", "Connections made to the broker.", now.connections),
            ("resends", "Times all unconfirmed blocks were sent again.", now.sent_again),
        ):
            yield CounterMetricFamily(f"asleft_agent_{name}", what, value=count)
        yield GaugeMetricFamily("asleft_agent_broker_connected", "1 with a connection, else 0.", now.connected)
        yield GaugeMetricFamily(
            "asleft_agent_delivery_alarm", "1 while delivery needs a person, else 0.", now.needs_attention
        )


def _of_instruments(instruments: Sequence[tuple[str, SamplerCounters]]) -> Iterator[Metric]:
    for name, what in (
        ("ticks", "Times at which an instrument was read."),
        ("missed_ticks", "Times at which it should have been read and was not."),
        ("failed_readings", "Readings of single channels that failed."),
        ("sampling_faults", "Times sampling had to begin again."),
        ("repeated_readings", "Readings of a feed that came again with the same time; not stored again."),
        ("late_readings", "Readings of a feed older than what had been passed on; not stored."),
        ("malformed_messages", "Messages of a feed that could not be read."),
        ("holes", "Holes that a feed's source left."),
    ):
        field = _FIELDS.get(name, name)
        sums: Counter[str] = Counter()  # two instruments may be called the same
        for instrument, counters in instruments:
            sums[instrument] += int(getattr(counters, field))
        family = CounterMetricFamily(f"asleft_agent_{name}", what, labels=["instrument"])
        for instrument, count in sums.items():
            family.add_metric([instrument], count)
        yield family
