"""The routes of the settings as pages and API may show them: plain data, addresses without their secrets."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from typing import Any

from monitor.records.look_notices import AddressState
from monitor.records.scope import ALL, Sites, allows
from monitor.watch.table import PRIORITIES
from monitor.web.shapes import plain


@dataclass(frozen=True)
class RouteShown:
    """One route; the service hands it in."""

    name: str
    sites: tuple[str, ...] = ()
    """Empty: all."""
    priorities: tuple[str, ...] = ()
    """Empty: all."""
    addresses: tuple[str, ...] = ()
    """As people may see them: no passwords, no tokens."""
    also_cleared: bool = False
    after_minutes: float = 0.0
    """Told only what nobody has acknowledged for so long."""
    quiet: tuple[str, str] | None = None
    """From when to when what does not ring waits, by the site's clock."""
    all_is_well: str | None = None
    """When a line a day and site is sent, by the site's clock."""
    in_settings: bool = True
    """False: the one that there is where the settings name none."""


def visible(routes: Sequence[RouteShown], sites: Sites) -> list[RouteShown]:
    """Those that tell of sites of the reader's, with no other site named."""
    if sites is ALL:
        return list(routes)
    seen = []
    for route in routes:
        mine = tuple(site for site in route.sites if allows(sites, site))
        if mine or (sites and not route.sites):
            seen.append(replace(route, sites=mine))
    return seen


def route_shape(route: RouteShown, states: Mapping[tuple[str, int], AddressState]) -> dict[str, Any]:
    """One route of /api/v1/routes."""
    quiet_from, quiet_to = route.quiet or (None, None)
    shaped: dict[str, Any] = plain(
        {
            "name": route.name,
            "sites": route.sites,
            "priorities": route.priorities or PRIORITIES,
            "also_cleared": route.also_cleared,
            "after_minutes": route.after_minutes,
            "quiet_from": quiet_from,
            "quiet_to": quiet_to,
            "all_is_well": route.all_is_well,
            "to": [
                _address_shape(shown, states.get((route.name, place), AddressState()))
                for place, shown in enumerate(route.addresses)
            ],
        }
    )
    return shaped


def _address_shape(shown: str, state: AddressState) -> dict[str, Any]:
    return {
        "address": shown,
        "last_delivered": state.delivered,
        "last_failed": state.failed,
        "failed_why": state.why or None,
        "waiting": state.waiting,
        "waiting_since": state.oldest,
    }


# --- in words --------------------------------------------------------------------------------------------------


def takes_words(route: RouteShown, site_names: Mapping[str, str]) -> str:
    """What it is told of.

    >>> takes_words(RouteShown("desk", ("home",), ("high", "highest"), also_cleared=True), {"home": "Home farm"})
    'High and highest priority at Home farm; also when it is over'
    >>> takes_words(RouteShown("farm"), {})
    'Every priority at all sites'
    """
    priorities = "Every" if set(route.priorities) in (set(), set(PRIORITIES)) else listed(route.priorities).capitalize()
    where = listed([site_names.get(site) or site for site in route.sites]) if route.sites else "all sites"
    return f"{priorities} priority at {where}{'; also when it is over' if route.also_cleared else ''}"


def when_words(route: RouteShown) -> list[str]:
    """When it is told: steps, quiet hours, the daily line.

    >>> when_words(RouteShown("desk", after_minutes=15, quiet=("21:00", "06:00"), all_is_well="07:00"))[0]
    'A further step: told what nobody has acknowledged for 15 min'
    """
    said = []
    if route.after_minutes:
        said.append(f"A further step: told what nobody has acknowledged for {route.after_minutes:g} min")
    else:
        said.append("A first step: told at once")
    if route.quiet:
        said.append(f"From {route.quiet[0]} to {route.quiet[1]} only what rings; all else waits")
    if route.all_is_well:
        said.append(f"A line a day and site at {route.all_is_well}, so that silence can be trusted")
    return said


def listed(words: Sequence[str]) -> str:
    """Words as a sentence lists them.

    >>> listed(["low"]), listed(["low", "medium", "high"])
    ('low', 'low, medium and high')
    """
    return words[0] if len(words) == 1 else f"{', '.join(words[:-1])} and {words[-1]}"
