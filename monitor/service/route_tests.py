"""A test of a route that somebody asked for: told to each of its addresses, and to nobody else."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from datetime import datetime
from zoneinfo import ZoneInfo

from monitor.alarms.trial_notice import test_notice
from monitor.records.actions import DONE, Action
from monitor.service.plant import Plant
from monitor.service.telling import Tellings
from monitor.watch.table import PRIORITIES


def carry_out(
    action: Action, tellings: Tellings, shown: Mapping[str, Sequence[str]], plant: Plant, now: datetime
) -> str:
    """Does what the kind `look_notices.TEST_KIND` asks for; returns "done" or in words why not.

    A test rings and does not wait for the end of quiet hours: whoever sends one looks at the phone.

    Parameters
    ----------
    shown : route -> its addresses without their secrets
    """
    name = str(action.body.get("route"))
    if name not in tellings.routes:
        return f"there is no route {name} in the settings that the service runs with"
    of_route = tellings.routes[name].sites
    zones = {site.time_zone for site in plant.sites.values() if not of_route or site.site in of_route}
    zone = ZoneInfo(zones.pop()) if len(zones) == 1 else None
    texts = test_notice(name, ", ".join(shown.get(name, ())), action.by, action.at, zone)
    tellings.send(
        "test", str(action.number), texts, now, site="", priority=PRIORITIES[0], rings=True, routes=[name], wait=False
    )
    return DONE
