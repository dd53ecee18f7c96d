"""What is known of loggers: those of the register, names that send and are not in it, and what names nobody."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

from monitor.records import look
from monitor.records.database import Database
from monitor.records.pages import Page, key_of, page
from monitor.records.scope import Sites
from monitor.web.shapes import logger_health, logger_shape, plain

_NEWEST_REJECTED = 5


def loggers_shape(database: Database, sites: Sites) -> list[dict[str, Any]]:
    """All of /api/v1/loggers: points of the register, newcomers, and names only met in rejected messages.

    Every count of rejected messages stands in exactly one of them; `kind` tells which they are: fan, supply, weather,
    newcomer, unknown.
    """
    items = [logger_shape(one, one["health"]) for one in known_loggers(database, sites)]
    counts = _counts_by_name(database, sites)
    for item in items:
        counts.pop((item["site"], item["name"]), None)
    for one in look.newcomers(database, sites)["items"]:
        told = {
            "site": one["site"], "name": one["name"], "kind": "newcomer", "last_reading": one["last_reading"].get("t"),
            "heard": one["last_heard"], "readings": one["readings"],
        }  # fmt: skip
        items.append(_unregistered(told, "to be taken on", counts.pop((one["site"], one["name"]), {})))
    for (site, name), reasons in sorted(counts.items()):
        items.append(
            _unregistered({"site": site or None, "name": name or None, "kind": "unknown"}, "rejected", reasons)
        )
    newest: dict[tuple[str | None, str | None], list[Any]] = {}
    for one in look.rejected(database, sites, limit=500)["items"]:
        newest.setdefault((one["site"] or None, one["name"] or None), []).append(plain(one))
    for item in items:
        item["newest_rejected"] = newest.get((item["site"], item["name"]), [])[:_NEWEST_REJECTED]
    return items


def loggers_page(database: Database, sites: Sites, limit: int, after: str | None) -> Page:
    """A part of them, by site and name, which stay the same when a newcomer is taken on between two parts.

    Raises
    ------
    ReadingError : `after` is not a token of this list
    """
    last = ["", ""] if after is None else key_of(after, str, str)

    def key(item: Mapping[str, Any]) -> list[Any]:
        return [item["site"] or "", item["name"] or ""]

    items = sorted(loggers_shape(database, sites), key=key)
    left = [item for item in items if after is None or key(item) > last][: limit + 1]
    return page(left, [key(item) for item in left], limit)


def known_loggers(database: Database, sites: Sites) -> list[dict[str, Any]]:
    """Loggers of the register with their health."""
    overdue = {
        point
        for point, alarms in look.open_alarms(database, sites).items()
        if any(alarm["id"] == "logger-overdue" and alarm["standing"] for alarm in alarms)
    }
    return [
        one | {"health": logger_health(one, (one["site"], one["name"]) in overdue)}
        for one in look.loggers(database, sites)["items"]
    ]


def _counts_by_name(database: Database, sites: Sites) -> dict[tuple[str, str], dict[str, int]]:
    found: dict[tuple[str, str], dict[str, int]] = {}
    for row in look.reject_counts(database, sites)["items"]:
        found.setdefault((row["site"], row["name"]), {})[row["reason"]] = row["count"]
    return found


def _unregistered(told: Mapping[str, Any], health: str, reasons: Mapping[str, int]) -> dict[str, Any]:
    nothing = {
        "last_reading": None, "heard": None, "period_seconds": None, "status": None, "status_time": None,
        "readings": 0, "late": 0, "repeats": 0, "unknown_keys": 0,
    }  # fmt: skip
    return logger_shape({**nothing, **told, "rejected": reasons}, health)
