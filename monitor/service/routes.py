"""A route of the settings, as the alarms' room takes it and as the pages may show it."""

from __future__ import annotations

from collections.abc import Iterable
from datetime import time, timedelta

from monitor.alarms.routes import Route
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


def _clock(text: str | None) -> time | None:
    return None if text is None else time.fromisoformat(text)
