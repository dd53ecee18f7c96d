"""Acknowledging by the link of a notice: all alarms that it told of, and that the link is used, in one commit."""

from __future__ import annotations

from monitor.alarms.alarm import Acknowledge
from monitor.records import acknowledge_links
from monitor.records.actions import DONE, Action
from monitor.records.database import Database
from monitor.service.book import AlarmBook
from monitor.service.orders import Apply
from monitor.service.pending import Pending
from monitor.service.plant import Plant

USED = "this link was used before"
NOTHING_LEFT = "nothing of what the notice told waits to be acknowledged any more"


def carry_out(
    action: Action, database: Database, book: AlarmBook, plant: Plant, apply: Apply, pending: Pending, now_ms: float
) -> str:
    """Does what the kind `acknowledge_links.KIND` asks for; returns "done" or in words why not.

    A link that acknowledges nothing stays unused. What of several alarms is over, or was acknowledged by another, is
    left as it is.

    Parameters
    ----------
    now_ms : wall time

    Raises
    ------
    LinkError : the database cannot be read; nothing is done, it is asked for again at the next look
    """
    notice_id = action.body.get("notice")
    found = acknowledge_links.linked(database, notice_id) if isinstance(notice_id, str) else None
    if found is None or found.site != action.site:
        return f"there is no notice {notice_id} of this site"
    if found.used is not None or found.notice_id in pending.links_used:
        return USED
    for number in found.alarms:
        alarm = book.by_number(number)
        waits = alarm is not None and alarm.site == found.site and alarm.state.value.endswith("UNACKNOWLEDGED")
        point = plant.point_about(alarm.site, alarm.fan or alarm.supply) if alarm is not None and waits else None
        if alarm is not None and point is not None:
            apply(point, alarm.about, Acknowledge(action.by))
            pending.links_used[found.notice_id] = (int(now_ms), action.by)
    return DONE if found.notice_id in pending.links_used else NOTHING_LEFT
