"""What the API promises to answer, key by key: the models that its description shows. `web.shapes` makes such answers.

What is not known is null, never left out. Times are RFC 3339 in UTC. New keys may come; none goes, and none changes its
meaning. Nothing is worked through these models when it is answered: `tests/web/test_every_route.py` holds real answers
against them.
"""

from __future__ import annotations

from collections.abc import Iterable
from typing import Annotated, Any, Generic, Literal, TypeVar

from pydantic import BaseModel, ConfigDict, Field

from monitor.alarms.states import Cause, State, Suppression
from monitor.records.look import STATES
from monitor.records.service_record import KINDS
from monitor.watch.ends import END_CAUSES
from monitor.watch.table import PRIORITIES

Item = TypeVar("Item")


def one_of(words: Iterable[str]) -> Any:
    """A field for a text that is one of these words, which stand in one place elsewhere."""
    return Field(json_schema_extra={"enum": [str(word) for word in words]})


Time = Annotated[str, Field(json_schema_extra={"format": "date-time"})]
Priority = Annotated[str, one_of(PRIORITIES)]
AlarmState = Annotated[str, one_of(State)]
Held = Annotated[str, one_of(Suppression)]


class Listed(BaseModel, Generic[Item]):
    """A part of a list."""

    items: list[Item]
    next: str | None = Field(description="token that gives the rest as `&next=`; null: this is all")


# --- alarms ----------------------------------------------------------------------------------------------------


class Alarm(BaseModel):
    """An alarm, from being raised to being gone and acknowledged (ANSI/ISA-18.2)."""

    number: int
    id: str = Field(description="the condition, e.g. `overload`")
    site: str
    fan: str | None = Field(description="null: of a supply point or of a whole site")
    supply: str | None = Field(description="the supply point it is of")
    state: AlarmState
    standing: bool = Field(description="whether the condition holds now")
    priority: Priority
    since: Time = Field(description="when the condition began to hold; it is raised after its delay")
    raised: Time = Field(description="event time")
    cleared: Time | None = Field(description="event time")
    heard: Time = Field(description="when the service learned of its last change")
    acknowledged: Time | None
    acknowledged_by: str | None
    suppression: Held | None = Field(description="why nothing is told of it")
    suppressed_until: Time | None
    suppressed_by: str | None
    suppressed_why: str | None
    count: int = Field(description="how often it was raised before it was acknowledged")
    value: float | None = Field(description="what was measured when it was raised, in the condition's own unit")
    setpoint: float | None
    peak: float | None = Field(description="the worst since it was raised")
    text: str


class AlarmChange(BaseModel):
    """One change of an alarm."""

    number: int
    from_state: AlarmState
    to_state: AlarmState
    cause: Annotated[str, one_of(Cause)]
    at: Time
    heard: Time
    by: str | None
    why: str | None
    until: Time | None


class AlarmInFull(Alarm):
    """An alarm with its life."""

    changes: list[AlarmChange] = Field(description="oldest first")


class OutOfService(BaseModel):
    """How a fan or a whole site is out of service: nothing is told of its alarms."""

    since: Time
    until: Time | None = Field(description="null: until somebody returns it")
    by: str
    why: str
    whole_site: bool


class OutOfServiceItem(OutOfService):
    """What is out of service."""

    site: str
    fan: str | None = Field(description="null: the whole site")


# --- fans ------------------------------------------------------------------------------------------------------


class Images(BaseModel):
    """Thermal images (IEC 60255-149): 1 is the trip level."""

    motor: float | None
    device: float | None
    assumed: Time | None = Field(description="they began then from an assumption that they still hang on")


class Recommended(BaseModel):
    """Fewer degrees that restore margin."""

    degrees: float = Field(description="less than the present pitch")
    pitch: float
    chance: float = Field(description="that it is enough on the coldest night, 0 to 1")


WhyNot = Annotated[str, one_of(("none needed", "none enough", "supply first", "cannot say"))]


class InShort(BaseModel):
    """What lists tell of a fan's estimate."""

    as_is: Recommended | None = Field(description="on the supply as it is")
    as_is_why: WhyNot | None
    supply_right: Recommended | None = Field(description="with the supply put right")
    supply_right_why: WhyNot | None
    provisional: bool | None = Field(description="the checks that come before the blades are not all entered")


class FanNow(BaseModel):
    """How a fan stands."""

    site: str
    fan: str
    state: Annotated[str, one_of(STATES)]
    load_ratio: float | None = Field(description="highest leg over adjusted limit; null while it does not run")
    margin: float | None = Field(description="1 - load_ratio")
    limit_amps: float | None = Field(description="full-load amps x service factor x derating for the voltage unbalance")
    highest_leg_amps: float | None
    seconds_to_trip: float | None = Field(
        description="at most so long, at this current; null: not known, or the device does not open at this current"
    )
    images: Images
    alarms: list[Alarm] = Field(description="that stand or that nobody acknowledged, the most pressing first")
    shared_alarms: list[Alarm] = Field(description="of its supply point or its whole site, that tell of it too")
    out_of_service: OutOfService | None
    running: bool | None
    since: Time | None = Field(description="it has run, or stood still, since")
    time: Time | None = Field(description="of its newest reading")
    heard: Time | None
    amps: list[float | None] = Field(description="L1, L2, L3; one of a single-phase motor")
    volts: list[float | None] = Field(description="v12, v23, v31; one of a single-phase motor")
    volts_from_supply: bool = Field(description="measured at the supply point, not by the fan's own logger")
    ambient_c: float | None
    unbalance_percent: float | None = Field(description="of the voltages (NEMA MG 1)")
    derating: float | None
    full_load_amps: float
    percent_of_full_load: float | None
    phases: int
    control: str | None
    supply: str | None
    plenum: str | None
    pitch_degrees: float | None
    seq: int = Field(description="number of its newest state; the greatest of all fans grows with every change")


class Fan(FanNow):
    """A fan, as lists have it."""

    estimate: InShort | None


class Factor(BaseModel):
    """What makes a limit."""

    name: str
    value: float
    source: str


class AdjustedLimit(BaseModel):
    """The current that the motor may carry, factor by factor."""

    amps: float
    full_amps: float = Field(description="at balanced voltages")
    percent_of_full_load: float
    factors: list[Factor]
    notes: list[str]


class Part(BaseModel):
    """Where amps come from."""

    name: Literal["leg spread", "supply voltage", "derating", "air density", "fan load"]
    amps: float


class LoadCause(BaseModel):
    """Why a fan draws what it draws, the greatest share first."""

    cause: str
    share_amps: float
    evidence: list[str]
    confirm_by: str


class FirstCheck(BaseModel):
    """What comes before the blades."""

    name: str
    done: bool
    how: str


class Worth(BaseModel):
    """What a degree of pitch is worth."""

    mean: float
    low: float
    high: float
    source: str


class Insert(BaseModel):
    """A pitch insert on hand, and what the fan would draw with it on the coldest night."""

    pitch: float
    amps: float
    low: float
    high: float
    chance: float
    chance_supply_right: float
    airflow_percent: float


class Pitch(InShort):
    """Degrees."""

    provisional: bool
    amps_per_degree: Worth
    options: list[Insert]


class Tonight(BaseModel):
    """What a running fan would draw at tonight's low."""

    low_c: float
    low_deviation_k: float
    low_source: str
    now_c: float
    amps: float
    low: float
    high: float
    limit_amps: float
    chance_limit: float
    device_amps: float | None
    chance_device: float | None
    chance: float
    passes_below_c: float | None
    words: list[str]
    at: Time | None


class Run(BaseModel):
    """A run, with the keys of a review."""

    number: int
    start: Time
    start_seen: bool
    end: Time | None = Field(description="null: it runs")
    end_seen: bool
    end_cause: Annotated[str, one_of(END_CAUSES)] | None
    confidence: Literal["sure", "high", "likely", "possible"] | None
    evidence: list[str]
    peak_amps: float | None
    peak_percent_of_limit: float | None
    gap_seconds: float | None
    starts_ok: bool | None


class Withdrawn(BaseModel):
    """By which entry another was withdrawn."""

    number: int
    entered: Time
    by: str
    why: str


class ServiceEntry(BaseModel):
    """What a technician checked or changed."""

    number: int
    kind: Annotated[str, one_of(KINDS)]
    done: Time
    entered: Time
    by: str
    body: dict[str, Any] = Field(description="as entered; see the form of each kind where entries are made")
    found: dict[str, Any] = Field(description="what was worked out from it, by its kind")
    waits: bool = Field(description="more will be worked out, from readings that are still to come")
    withdrawn: Withdrawn | None


class ClampCorrections(BaseModel):
    """What the amps of a fan's logger are multiplied by before they are judged and stored."""

    factors: list[float] = Field(description="one for each leg in order")
    since: Time
    by: str


class StopToCome(BaseModel):
    """A stop on purpose that begins later."""

    begins: Time = Field(alias="from")
    until: Time
    by: str
    why: str
    announced: Time


class FanInFull(FanNow):
    """A fan with everything that is known of it."""

    nameplate: str = Field(description="its file, TOML")
    version: int
    valid_from: Time
    clamp_corrections: ClampCorrections | None = Field(description="null: amps are taken as sent")
    planned_stop: StopToCome | None = Field(
        description="announced and yet to begin; one that has begun holds back the alarm `stopped`"
    )
    limit: AdjustedLimit
    parts: list[Part]
    causes: list[LoadCause]
    checks_first: list[FirstCheck]
    pitch: Pitch | None
    words: list[str]
    cautions: list[str]
    tonight: Tonight | None
    tonight_why: str | None = Field(description="why nothing is said of tonight")
    rising_amps_an_hour: float | None
    reaches_limit_at: Time | None
    estimated_at: Time | None
    runs: list[Run] = Field(description="the newest 20, newest first")
    service: list[ServiceEntry] = Field(description="the newest 20, newest first; all: /service")


class Columns(BaseModel):
    """Readings as columns of equal length; `time` is RFC 3339 in UTC, what is missing is null."""

    columns: dict[str, list[Any]]
    kept_from: Time | None
    """Raw readings before this were removed to make room, and the span begins before it; null: all are here."""


# --- loggers ---------------------------------------------------------------------------------------------------


class RejectCount(BaseModel):
    """How often something was not taken."""

    reason: str
    count: int


class Rejected(BaseModel):
    """What was not taken."""

    number: int
    at: Time
    topic: str
    site: str | None
    name: str | None
    reason: str
    detail: str
    excerpt: str


class Logger(BaseModel):
    """A logger, or a name that sends and is not in the register."""

    site: str | None
    name: str | None
    kind: Literal["fan", "supply", "weather", "newcomer", "unknown"]
    health: Literal["heard", "overdue", "offline", "not heard yet", "to be taken on", "rejected"]
    last_reading: Time | None = Field(description="its own time")
    heard: Time | None
    period_seconds: float | None
    status: str | None
    status_time: Time | None
    readings: int
    late: int
    repeats: int
    unknown_keys: int
    rejected: list[RejectCount] = Field(description="the most frequent first")
    newest_rejected: list[Rejected]


# --- notices ---------------------------------------------------------------------------------------------------


class Try(BaseModel):
    """One try to deliver a notice."""

    number: int
    at: Time
    outcome: str
    detail: str


class Notice(BaseModel):
    """What was or is to be sent to one address; without the links in it, each a permission of its receiver's."""

    id: str
    site: str | None
    alarm: int | None
    route: str
    address: int = Field(description="which of the route's, from 1")
    kind: str
    priority: Priority | None
    rings: bool
    subject: str
    short: str
    long: str
    created: Time
    state: Literal["waiting", "delivered", "failed"]
    next_try: Time | None
    delivered: Time | None
    tries: list[Try]
    to: str | None = Field(description="the address without its secrets; null: it is in the settings no more")


class Untold(BaseModel):
    """What a route was not told, or not yet."""

    route: str
    kind: str
    state: Literal["waiting", "dropped"]
    wanted: Time
    due: Time
    why: str | None


class NoticesOfAlarm(Listed[Notice]):
    """The notices of an alarm, and what was not told."""

    untold: list[Untold]


class Address(BaseModel):
    """How an address of a route stands."""

    address: str
    last_delivered: Time | None
    last_failed: Time | None
    failed_why: str | None
    waiting: int
    waiting_since: Time | None


class Route(BaseModel):
    """Who is told of what."""

    name: str
    sites: list[str] = Field(description="empty: all")
    priorities: list[Priority]
    also_cleared: bool
    after_minutes: float
    quiet_from: str | None
    quiet_to: str | None
    all_is_well: str | None
    to: list[Address]


# --- alarm figures ---------------------------------------------------------------------------------------------


class ADay(BaseModel):
    """Alarms a day."""

    mean: float
    most: int
    day_of_most: str | None


class TenMinutes(BaseModel):
    """Alarms in ten minutes."""

    mean: float
    most: int
    slots: int
    in_flood: int
    flood_share: float


class Stale(BaseModel):
    """Alarms that have stood for more than a day."""

    now: int
    most: int


class Frequent(BaseModel):
    """An alarm that came often."""

    id: str
    site: str
    fan: str | None
    supply: str | None
    count: int
    share: float


class Target(BaseModel):
    """A figure beside what is recommended."""

    name: str
    found: str
    wanted: str
    holds: bool | None


class Cure(BaseModel):
    """What to do about a noisy alarm."""

    kind: str
    words: str
    lines: list[str] = Field(description="for the fan's file")
    spared: int
    of: int
    later_seconds: float


class Noisy(Frequent):
    """One of the noisiest, with its cure."""

    cure: Cure


class Figures(BaseModel):
    """How well the alarms work (ANSI/ISA-18.2, IEC 62682, EEMUA 191)."""

    model_config = ConfigDict(populate_by_name=True)
    from_: Time = Field(alias="from")
    to: Time
    alarms: int
    a_day: ADay
    ten_minutes: TenMinutes
    chattering: list[Frequent]
    repeating_within_an_hour: list[Frequent]
    fleeting: int
    stale: Stale
    most_frequent: list[Frequent]
    most_frequent_share: float
    priorities: dict[str, float]
    targets: list[Target]
    noisiest: list[Noisy]


# --- what became of what was asked for -------------------------------------------------------------------------

Outcome = Annotated[str | None, Field(description='"done", or null while the service has not come to it')]


class Asked(BaseModel):
    """What became of an operator's action."""

    outcome: Annotated[
        str | None,
        Field(description='"done", "nothing to acknowledge", or null while the service has not come to it'),
    ]
    alarm: Alarm | AlarmInFull | None


class Entered(BaseModel):
    """What became of an entry of a service record."""

    outcome: Outcome
    entry: ServiceEntry | None = Field(description="as in the list; null while there is none")


class TestAsked(BaseModel):
    """What became of a test of a route so far."""

    __test__ = False  # it is no test, whatever a collector of tests thinks
    number: int = Field(description="number of the test")
    outcome: Outcome
    notices: list[Notice] = Field(description="one an address, as in /notices, each with its tries so far")
