"""What pages and API read, all in one place to import from. Each takes the sites that its reader may see.

Lists come in the form of the API, {"items": [...], "next": token or None}; times are aware UTC; what is not known is
None.
"""

from monitor.records.fan_list import Asked, fans, part_of
from monitor.records.look_alarms import alarm, alarms, open_alarms, suppressed
from monitor.records.look_fans import STATES, changed_after, fan, has_fan, runs
from monitor.records.look_loggers import loggers, newcomers, reject_counts, rejected

__all__ = [
    "STATES",
    "Asked",
    "alarm",
    "alarms",
    "changed_after",
    "fan",
    "fans",
    "has_fan",
    "loggers",
    "newcomers",
    "open_alarms",
    "part_of",
    "reject_counts",
    "rejected",
    "runs",
    "suppressed",
]
