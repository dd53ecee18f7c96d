"""What an alarm is made of: what it is about, how it stands, one change of it, a notice that is wanted."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import datetime

from monitor.alarms.states import State, Suppression


@dataclass(frozen=True)
class About:
    """What an alarm is about; one alarm at a time for each."""

    site: str
    """Site of the register."""
    fan: str | None
    """Fan of the register; None for an alarm of a supply or weather point."""
    supply: str | None
    """Supply or weather point of the register; None for an alarm of a fan."""
    condition: str
    """Id of the condition, from the table of conditions."""


@dataclass(frozen=True)
class Alarm:
    """An alarm as it stands. All times are aware UTC."""

    number: int
    """Running number of this occurrence, given by the caller."""
    site: str
    """Site of the register."""
    fan: str | None
    """Fan of the register, if it is about a fan."""
    supply: str | None
    """Supply or weather point of the register, if it is about one."""
    condition: str
    """Id of the condition, from the table of conditions."""
    priority: str
    """low, medium, high or highest. It only rises while the alarm stands."""
    state: State
    """One of the four states."""
    suppression: Suppression | None
    """Why notices are held back, if they are."""
    suppressed_until: datetime | None
    """End of the suppression [wall time]; None: until an operator ends it."""
    suppressed_by: str | None
    """Who suppressed it; None: a rule did, by design."""
    suppressed_why: str | None
    """Why, in the operator's own words; by design, which rule."""
    since: datetime
    """When the condition began [event time]."""
    raised: datetime
    """When its on-delay was over [event time]."""
    cleared: datetime | None
    """When it had returned to normal [event time]; None while it holds. A latched one that returned stands all the
    same until it is acknowledged."""
    heard: datetime
    """When the service learned of it [wall time]."""
    acknowledged: datetime | None
    """When it was acknowledged [wall time]."""
    acknowledged_by: str | None
    """Who acknowledged it."""
    count: int
    """Times raised in this occurrence; 0 for one that only carries a suppression."""
    value: float | None
    """What was measured when it was raised, in the unit of the condition."""
    setpoint: float | None
    """What it was compared with, in the unit of the condition."""
    peak: float | None
    """The greatest value seen while it stood, in the unit of the condition."""
    last_notice: datetime | None
    """When the last notice was made that told of it as standing, in this occurrence or an earlier one [wall time]."""
    text: str
    """One line for lists, written by the caller with `wording.line`."""
    rings: bool = True
    """Whether its notices may break quiet hours."""
    last_notice_priority: str | None = None
    """Priority told by the last notice; None: not known, the alarm's own is taken."""
    untold: int = 0
    """Times raised since the last notice, over all occurrences."""
    rings_from: datetime | None = None
    """Of one that does not ring yet: when it does, if it still stands unacknowledged [wall time]; None: never."""
    told: int = 0
    """Notices that told of it as begun, over all occurrences, since its fan last tripped or it was forgotten: the more
    often it came and went without harm, the longer it is not told again. A load that somebody acknowledged counts as
    told often."""

    known_peak: float | None = None
    """The worst that somebody was told of or has acknowledged, over all occurrences, in the unit of the condition;
    None: not known."""

    @property
    def about(self) -> About:
        """What it is about."""
        return About(self.site, self.fan, self.supply, self.condition)

    @property
    def by_rule(self) -> bool:
        """A rule (`by_design`) holds its notices back, not a person: what explains it is told in its place."""
        return self.suppression is Suppression.SUPPRESSED_BY_DESIGN and self.suppressed_by is None

    @property
    def latched(self) -> bool:
        """It stands only because nobody has acknowledged it: what it tells of has returned to normal."""
        return self.state.stands and self.cleared is not None


@dataclass(frozen=True)
class AlarmChange:
    """One change of an alarm, as it is stored."""

    alarm_number: int
    """Number of the alarm, after the change."""
    number: int
    """Running number of the change, given by the caller."""
    from_state: State
    """State before."""
    to_state: State
    """State after; the same where only the suppression changed or it was told again."""
    cause: str
    """Value of `states.Cause`."""
    at: datetime
    """When it happened: event time of a condition, wall time of an operator or the clock."""
    heard: datetime
    """When the service learned of it [wall time]."""
    by: str | None
    """The operator, if one did it."""
    why: str | None = None
    """Of a suppression that began: the operator's reason, or the rule."""
    until: datetime | None = None
    """Of a suppression that began: its end, if it has one [wall time]."""


@dataclass(frozen=True)
class Wanted:
    """A notice is wanted."""

    kind: str
    """raised, cleared or told-again."""
    rings: bool
    """Whether it may break quiet hours; a cleared one never does."""
    count: int
    """Times raised since the notice before, this time included; 0 where it only went on standing."""
    counted_since: datetime | None
    """When the notice before was made [wall time]; None: this is the first."""
    cause: str
    """Why now: value of `states.Cause`."""
