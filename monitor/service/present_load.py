"""What a fan draws now, from the state of its watch: the last five minutes, and what its device's margin goes by."""

from __future__ import annotations

import math

from monitor.watch import layout
from monitor.watch.columns import Floats
from monitor.watch.kernel import PROVEN_AT, PROVEN_TIMES
from monitor.watch.lookback import five_minutes


def highest_of_five_minutes(state: Floats, legs: int) -> float:
    """The highest leg's mean over the last whole five minutes [A]: a single reading may be a gust. NaN: not known.

    Parameters
    ----------
    state : the fan's, shape (STATE_FIELDS,)
    legs : 1 or 3
    """
    means = [five_minutes(state, leg) for leg in range(legs)]
    return max((mean for mean in means if not math.isnan(mean)), default=math.nan)


def margin_against(state: Floats, limits: Floats) -> float:
    """What the margin of an overload device is measured against [A], as the kernel has it: its setting, or what it has
    proven to carry where that is more.

    Parameters
    ----------
    limits : the fan's row of resolved limits, shape (LIMITS_FIELDS,)
    """
    setting, proven = float(limits[layout.DEVICE_SETTING]), float(state[layout.TOP3]) * PROVEN_TIMES / PROVEN_AT
    return proven if proven > setting else setting
