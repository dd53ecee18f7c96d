"""A route of the settings, as the alarms' room takes it and as the pages may show it."""

from __future__ import annotations

from collections.abc import Callable, Iterable
from datetime import datetime, time, timedelta
from zoneinfo import ZoneInfo

from monitor.alarms.notice import Notice
from monitor.alarms.routes import Route
from monitor.alarms.telling import after_quiet
from monitor.links import senders
from monitor.settings import RouteSettings
from monitor.web.routes_shown import RouteShown


def route_of(settings: RouteSettings) -> Route:
    """A route as the alarms' room takes it."""
    begin, end = _clock(settings.quiet_from), _clock(settings.quiet_to)
    return Route(
        settings.name, settings.sites, settings.priorities, settings.to, settings.also_cleared,
        after=timedelta(minutes=settings.after_minutes),
        quiet=None if begin is None or end is None else (begin, end),
        all_is_well=_clock(settings.all_is_well),
    )  # fmt: skip


def shown(route: RouteSettings, to: Iterable[str], *, in_settings: bool) -> RouteShown:
    """A route as the pages may show it."""
    quiet = (route.quiet_from, route.quiet_to)
    return RouteShown(
        route.name, route.sites, route.priorities, tuple(map(senders.shown, to)), route.also_cleared,
        route.after_minutes, None if quiet[0] is None or quiet[1] is None else (quiet[0], quiet[1]), route.all_is_well,
        in_settings,
    )  # fmt: skip


def not_before(
    routes: Iterable[Route], zone_of: Callable[[str], ZoneInfo]
) -> Callable[[Notice, datetime], datetime]:  # fmt: skip
    """When a notice may be sent at the earliest: one that does not ring waits out its route's quiet hours.

    It was planned so when it was made; but who could not be reached in the evening is not to be called at night.

    Parameters
    ----------
    zone_of : time zone of a site; of "", the whole service
    """
    by_name = {route.name: route for route in routes}

    def earliest(notice: Notice, at: datetime) -> datetime:
        route = by_name.get(notice.route)
        if route is None or notice.rings or notice.kind == "all-is-well":  # whose hour the route has wished
            return at
        return after_quiet(route, at, zone_of(notice.site))

    return earliest


def _clock(text: str | None) -> time | None:
    return None if text is None else time.fromisoformat(text)
