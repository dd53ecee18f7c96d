"""Whom it concerns when nothing is watched: how many fans, at which sites, told in whose time. And how it is told."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import UTC, datetime
from typing import Protocol
from zoneinfo import ZoneInfo

from monitor.alarms.texts import Texts
from monitor.service.maintenance import Maintenance
from monitor.service.plant import Plant, Point

PRIORITY = "high"
"""Of notices about the watch itself: nobody is called while they hold."""


class Send(Protocol):
    """Takes a notice that is of no alarm into the next commit (`telling.Tellings.send`)."""

    def __call__(
        self, kind: str, key: str, texts: Texts, now: datetime, *, site: str, priority: str, rings: bool
    ) -> None: ...


@dataclass(frozen=True)
class Blind:
    """The fans that are not watched now."""

    fans: int
    """In the register and in service."""
    site: str
    """The site they belong to; empty where there is more than one: then it is told to all."""
    sites: tuple[str, ...]
    """Names of their sites, as people call them."""
    time_zone: ZoneInfo
    """Of the first of these sites."""
    name_zone: bool
    """Whether they lie in more than one."""


def in_service(plant: Plant, maintenance: Maintenance) -> list[Point]:
    """The fans that are watched."""
    return [point for point in plant.fans() if maintenance.out(point) is None]


def blind(plant: Plant, maintenance: Maintenance) -> Blind | None:
    """Whom it concerns now; None where no fan is watched anyway."""
    fans = in_service(plant, maintenance)
    if not fans:
        return None
    sites = [plant.sites[name] for name in dict.fromkeys(point.site for point in fans)]
    zones = dict.fromkeys(site.time_zone for site in sites)
    return Blind(
        len(fans),
        next(iter(plant.sites)) if len(plant.sites) == 1 else "",
        tuple(site.name or site.site for site in sites),
        ZoneInfo(next(iter(zones))),
        len(zones) > 1,
    )


def time_of(ms: float) -> datetime:
    """Milliseconds since 1970 as a time."""
    return datetime.fromtimestamp(ms / 1000.0, UTC)
