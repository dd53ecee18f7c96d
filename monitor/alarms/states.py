"""Every way between the states of an alarm, each written once.

Terms and states follow ANSI/ISA-18.2 and IEC 62682 (model also in OPC 10000-9, 5.8): four states, and beside them
three kinds of suppression. A suppressed alarm goes on changing its state and every change is stored; only notices are
held back.

         raised                 acknowledged
    NORMAL ------> UNACKNOWLEDGED ------> ACKNOWLEDGED
      ^  ^            |      ^    <------      |
      |  |   returned |      |  raised higher, |
      |  |            v      |  plan over      |
      |  |  RETURNED_UNACKNOWLEDGED            |
      |  +------------+ acknowledged           |
      +----------------------------------------+ returned

A latched alarm (a trip) does not go by itself: returned before it was acknowledged it stays UNACKNOWLEDGED, and is
told again like any other, until somebody acknowledges it; then it is NORMAL at once.

From either state that stands back to NORMAL as well: what is no longer watched, since the register says so (another
motor, a condition turned off, a fan taken out). Nobody saw it go, so nobody is told that it went.

What is not in a table does not happen: the event is taken and changes no state (to acknowledge what is normal, say).
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from enum import StrEnum


class State(StrEnum):
    """The state of an alarm."""

    NORMAL = "NORMAL"
    UNACKNOWLEDGED = "UNACKNOWLEDGED"
    ACKNOWLEDGED = "ACKNOWLEDGED"
    RETURNED_UNACKNOWLEDGED = "RETURNED_UNACKNOWLEDGED"

    @property
    def stands(self) -> bool:
        """Whether the condition itself holds now, acknowledged or not."""
        return self in (State.UNACKNOWLEDGED, State.ACKNOWLEDGED)


class Suppression(StrEnum):
    """Why no notice is sent although the alarm may stand."""

    SHELVED = "SHELVED"
    """By an operator, for a limited time."""
    SUPPRESSED_BY_DESIGN = "SUPPRESSED_BY_DESIGN"
    """By a rule: a stop that was announced is no news, nor what a lost supply explains (`by_design`)."""
    OUT_OF_SERVICE = "OUT_OF_SERVICE"
    """By whoever maintains the fan, until it is returned to service."""


class Cause(StrEnum):
    """What happened to an alarm; stored with the change."""

    RAISED = "raised"
    RAISED_HIGHER = "raised at higher priority"
    GROWN = "grown worse"
    RETURNED = "returned"
    RETURNED_LATCHED = "returned, latched"
    NO_LONGER_WATCHED = "no longer watched"
    ACKNOWLEDGED = "acknowledged"
    ACKNOWLEDGED_RETURNED = "acknowledged, returned before"
    TOLD_AGAIN = "told again"
    SHELVED = "shelved"
    UNSHELVED = "unshelved"
    PLANNED_STOP = "planned stop"
    PLAN_WITHDRAWN = "planned stop withdrawn"
    PLAN_OVER = "planned stop over"
    SUPPRESSED = "suppressed by design"
    REASON_OVER = "reason over"
    REMOVED_FROM_SERVICE = "removed from service"
    RETURNED_TO_SERVICE = "returned to service"
    TIME_UP = "time up"


TRANSITIONS: Mapping[State, Mapping[Cause, State]] = {
    State.NORMAL: {
        Cause.RAISED: State.UNACKNOWLEDGED,
    },
    State.UNACKNOWLEDGED: {
        Cause.RAISED_HIGHER: State.UNACKNOWLEDGED,
        Cause.GROWN: State.UNACKNOWLEDGED,
        Cause.TOLD_AGAIN: State.UNACKNOWLEDGED,
        Cause.ACKNOWLEDGED: State.ACKNOWLEDGED,
        Cause.RETURNED: State.RETURNED_UNACKNOWLEDGED,
        Cause.NO_LONGER_WATCHED: State.NORMAL,
        # Of a latched one only: what returned stands until it is acknowledged, and may be raised anew meanwhile.
        Cause.RAISED: State.UNACKNOWLEDGED,
        Cause.RETURNED_LATCHED: State.UNACKNOWLEDGED,
        Cause.ACKNOWLEDGED_RETURNED: State.NORMAL,
    },
    State.ACKNOWLEDGED: {
        Cause.RAISED_HIGHER: State.UNACKNOWLEDGED,
        Cause.GROWN: State.UNACKNOWLEDGED,
        Cause.RETURNED: State.NORMAL,
        Cause.NO_LONGER_WATCHED: State.NORMAL,
        # Whoever acknowledged a stop and announced it for some hours counts on the fan to run afterwards.
        Cause.PLAN_OVER: State.UNACKNOWLEDGED,
        Cause.PLAN_WITHDRAWN: State.UNACKNOWLEDGED,
    },
    State.RETURNED_UNACKNOWLEDGED: {
        Cause.RAISED: State.UNACKNOWLEDGED,
        Cause.ACKNOWLEDGED: State.NORMAL,
    },
}
"""State -> cause -> next state."""

LATCHED = frozenset({"tripped"})
"""Conditions whose alarm is latched: a trip is a finding, and a fan that runs again by itself does not undo it."""

_SHELVE = {Cause.SHELVED: Suppression.SHELVED}
_PLAN = {Cause.PLANNED_STOP: Suppression.SUPPRESSED_BY_DESIGN}
_REMOVE = {Cause.REMOVED_FROM_SERVICE: Suppression.OUT_OF_SERVICE}
_RULE = {Cause.SUPPRESSED: Suppression.SUPPRESSED_BY_DESIGN}

SUPPRESSIONS: Mapping[Suppression | None, Mapping[Cause, Suppression | None]] = {
    None: {**_SHELVE, **_PLAN, **_REMOVE, **_RULE},
    # A shelf yields to no rule: what holds notices back already need not be held back twice, and a rule that is over
    # must not bring it back before its time.
    Suppression.SHELVED: {**_SHELVE, **_PLAN, **_REMOVE, Cause.UNSHELVED: None, Cause.TIME_UP: None},
    Suppression.SUPPRESSED_BY_DESIGN: {
        **_SHELVE, **_PLAN, **_REMOVE, **_RULE,
        Cause.PLAN_WITHDRAWN: None, Cause.PLAN_OVER: None, Cause.REASON_OVER: None,
    },
    # Out of service yields to nothing but its own end: a shelf put on it would bring the alarm back too soon.
    Suppression.OUT_OF_SERVICE: {**_REMOVE, Cause.RETURNED_TO_SERVICE: None, Cause.TIME_UP: None},
}  # fmt: skip
"""Suppression -> cause -> next suppression."""


def carried_on(
    causes: Iterable[Cause], state: State = State.NORMAL, suppression: Suppression | None = None
) -> tuple[State, Suppression | None]:
    """Where stored changes lead: the two tables alone, applied to their causes in order.

    Parameters
    ----------
    causes : of the changes of one alarm, over all its occurrences, oldest first
    state, suppression : where it began

    Raises
    ------
    ValueError : a cause that no table has from there: such a change was never made

    >>> carried_on([Cause.RAISED, Cause.SHELVED, Cause.ACKNOWLEDGED, Cause.TIME_UP, Cause.RETURNED])
    (<State.NORMAL: 'NORMAL'>, None)
    """
    for cause in causes:
        to_state, ways = TRANSITIONS[state].get(cause), SUPPRESSIONS[suppression]
        if to_state is None and cause not in ways:
            raise ValueError(f'no way from {state.value} and {suppression} by "{cause.value}"')
        state = to_state or state
        suppression = ways.get(cause, suppression)
    return state, suppression
