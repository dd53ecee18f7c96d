"""Figures of the service itself in the OpenMetrics text form, for `/metrics`: counted in memory, asked of nothing.

The form is OpenMetrics 1.0 (counters end in `_total`); the text is written by prometheus-client, which is loaded with
the first question.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Callable, Iterator, Mapping, Sequence
from dataclasses import dataclass, field
from typing import Any

import numpy as np

from monitor.records import outbox
from monitor.records.database import Database
from monitor.records.tables import FLAG_LATE
from monitor.service.pending import Pending

PREFIX = "fan_amp_monitor_"


@dataclass
class Counts:
    """What the worker has done since the start; only its thread adds to it."""

    readings: Counter[str] = field(default_factory=Counter)
    """Stored readings, "fed" (newer than the point's newest) and "late"."""
    rejected: Counter[str] = field(default_factory=Counter)
    """Refused, by reason."""
    messages: int = 0
    """Acknowledged to the broker, each after its commit."""
    commits: int = 0
    commit_seconds: float = 0.0
    """Spent in them."""
    commits_failed: int = 0
    notices: int = 0
    """Made, one for each address."""

    def stored(self, pending: Pending, seconds: float) -> None:
        """A commit is done; what was in it, and how long it took."""
        self.commits += 1
        self.commit_seconds += seconds
        self.messages += len(pending.messages)
        self.notices += len(pending.notices)
        for rows in (*pending.readings, *pending.hours):
            late = int(np.count_nonzero(rows.flags & FLAG_LATE))
            self.readings["late"] += late
            self.readings["fed"] += len(rows) - late
        for one in pending.rejected:
            self.rejected[one.reason] += one.count


class CountedOutbox:
    """The outbox as delivery uses it, which counts how its tries end."""

    def __init__(self) -> None:
        self.tries: Counter[str] = Counter()

    due = staticmethod(outbox.due)
    next_due_ms = staticmethod(outbox.next_due_ms)
    bring_forward = staticmethod(outbox.bring_forward)
    put_off = staticmethod(outbox.put_off)

    def record_tries(self, database: Database, tries: Sequence[outbox.Tried]) -> None:
        outbox.record_tries(database, tries)
        self.tries.update("delivered" if one.delivered else "failed" if one.failed else "put off" for one in tries)


@dataclass(frozen=True)
class Figure:
    """One figure with its label, if it has one."""

    name: str
    """Without prefix and without `_total`."""
    kind: str
    """"counter" or "gauge"."""
    help: str
    values: Mapping[str, float]
    """Value of the label -> figure; "" where there is no label."""
    label: str | None = None


class Metrics:
    """What stands under `/metrics`."""

    def __init__(self, counts: Counts, tries: Mapping[str, int], told: Callable[[], Mapping[str, Any]]) -> None:
        """
        Parameters
        ----------
        tries : outcome of a try to deliver -> how many
        told : how the service is, as `Health.told` has it
        """
        self._counts, self._tries, self._told = counts, tries, told

    def figures(self) -> Iterator[Figure]:
        """All of them."""
        counts, told = self._counts, self._told()
        yield Figure("readings", "counter", "Readings stored.", dict(counts.readings), "kind")
        yield Figure("rejected", "counter", "Readings or messages refused.", dict(counts.rejected), "reason")
        yield _one("messages", "counter", "Messages acknowledged to the broker, after their commit.", counts.messages)
        yield _one("commits", "counter", "Commits of the worker.", counts.commits)
        yield _one("commits_failed", "counter", "Commits that were refused and are tried again.", counts.commits_failed)
        yield _one("commit_seconds", "counter", "Time spent in commits.", counts.commit_seconds)
        yield _one("notices", "counter", "Notices made, one for each address.", counts.notices)
        yield Figure("notice_tries", "counter", "Tries to deliver a notice.", dict(self._tries), "outcome")
        yield _one("worker_rounds", "counter", "Turns of the worker.", told["worker"]["rounds"])
        for name, text, value in (
            ("late", "Things that are late and must be acted on.", len(told["late"])),
            ("broker_connected", "1 while the broker has accepted us.", told["broker_connected"]),
            ("seconds_since_last_message", "Since the broker sent something.", told["seconds_since_last_message"]),
            ("seconds_since_round", "Since the worker ended a turn.", told["worker"]["seconds_since_round"]),
            ("seconds_unstored", "Since nothing was left to be stored.", told["commit"]["seconds_unstored"]),
            ("messages_waiting", "Messages that the worker has not taken yet.", told["messages_waiting"]),
            ("fans_registered", "Fans of the register.", told["fans"]["registered"]),
            ("fans_running", "Fans that ran at their last reading.", told["fans"]["running"]),
            ("fans_running_and_silent", "Of those, not heard for too long.", told["fans"]["running_and_silent"]),
            ("notices_waiting", "Notices not delivered and not given up.", told["notices"]["waiting"]),
            ("notices_oldest_seconds", "Age of the oldest of them.", told["notices"]["oldest_seconds"] or 0.0),
            ("disk_free_bytes", "Free on the disk of the database.", told["disk"]["free_bytes"]),
            ("archive_behind_seconds", "Age of the oldest reading not copied yet.",
             (told["archive"] or {}).get("behind_seconds")),
            ("up_seconds", "Since the start.", told["seconds_up"]),
        ):  # fmt: skip
            if value is not None:
                yield _one(name, "gauge", text, value)
        yield Figure(
            "notices_failed_24_h",
            "gauge",
            "Notices given up in the last 24 h.",
            told["notices"]["failed_24_h"],
            "route",
        )

    def text(self) -> bytes:
        """As it is served."""
        from prometheus_client import CollectorRegistry
        from prometheus_client.metrics_core import CounterMetricFamily, GaugeMetricFamily, Metric
        from prometheus_client.openmetrics.exposition import generate_latest

        metrics: list[Metric] = []
        for figure in self.figures():
            family = CounterMetricFamily if figure.kind == "counter" else GaugeMetricFamily
            made = family(PREFIX + figure.name, figure.help, labels=[figure.label] if figure.label else [])
            for label, value in sorted(figure.values.items()):
                made.add_metric([label] if figure.label else [], float(value))
            metrics.append(made)

        class Collected:
            def collect(self) -> list[Metric]:
                return metrics

        registry = CollectorRegistry(auto_describe=False)
        registry.register(Collected())
        return bytes(generate_latest(registry))  # type: ignore[no-untyped-call]


def _one(name: str, kind: str, text: str, value: float) -> Figure:
    return Figure(name, kind, text, {"": value})
