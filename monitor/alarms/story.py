"""The figures a notice tells, collected by the caller when the notice is made.

None everywhere means: not known. A figure that is not known is left out of the text, or said to be unknown where its
absence matters. Nothing here is worked out again; the one place of each fact is the room it comes from.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from datetime import datetime
from typing import Any
from zoneinfo import ZoneInfo


@dataclass(frozen=True)
class Factor:
    """One factor of the limit."""

    name: str
    """In words, e.g. `service factor`."""
    value: float
    """Ratio; amps for the first, the full-load amps."""
    source: str
    """Where it comes from, e.g. `nameplate`."""


@dataclass(frozen=True)
class Story:
    """What is known about a fan (or a supply point) at the moment of the notice."""

    site_name: str
    """As people call it."""
    fan_name: str
    """The fan, or the supply point where the alarm is about one, as people call it; not used where it is about a whole
    site."""
    time_zone: ZoneInfo
    """Of the site; all times in texts are local."""
    now: datetime
    """When the notice is made [wall time, aware UTC]."""
    units: str = "us"
    """`us` or `si`: air temperatures are told in degrees F or C."""

    running: bool | None = None
    """Whether it runs now, by its last reading."""
    also_standing: tuple[str, ...] = ()
    """Other conditions of this fan that stand now."""
    legs_amps: tuple[float | None, ...] = ()
    """Present leg currents [A], one or three. For `stopped`, `tripped` and `logger-overdue`: the last while it ran."""
    current_unbalance_percent: float | None = None
    """Unbalance of the leg currents [%]."""
    load_ratio: float | None = None
    """Highest leg over the adjusted limit, 1 = the limit. For `stopped`, `tripped` and `logger-overdue`: the last while
    it ran."""
    limit_amps: float | None = None
    """Adjusted limit [A]."""
    full_load_amps: float | None = None
    """Of the nameplate [A]."""
    limit_factors: tuple[Factor, ...] = ()
    """What the limit is made of, full-load amps first."""
    volts: tuple[float | None, ...] = ()
    """Smoothed line-to-line volts, one or three; empty: not measured."""
    rated_volts: float | None = None
    """Of the nameplate [V]."""
    unbalance_percent: float | None = None
    """Voltage unbalance [%]."""
    volts_from: str | None = None
    """The supply point the volts come from, if not the fan's own logger."""
    notes: tuple[str, ...] = ()
    """What must be said about the figures, e.g. `not adjusted: voltage is not measured`."""

    seconds_to_trip: float | None = None
    """At most so long to the trip of the overload device [s]; inf: not at this current; None: not estimated."""
    motor_heat: float | None = None
    """Thermal image of the motor against its limit, 1 = as hot as the limit may make it."""
    device_heat: float | None = None
    """Thermal image of its overload device, 1 = it opens."""
    heat_assumed: bool = False
    """The image of the device still hangs on what was assumed when the fan was first seen running."""
    device_type: str | None = None
    """Of the nameplate: `overload relay`, `built-in protector`, `none` or `unknown`."""
    device_setting_amps: float | None = None
    """What the overload device is set to [A]."""
    proven_amps: float | None = None
    """What the device has carried three times without opening [A]."""
    reaches_limit_at: datetime | None = None
    """When a fan near its limit would reach it, carried on as it rises now [aware UTC]."""

    estimate: Mapping[str, Any] | None = None
    """The blades' answer: `parts`, `causes`, `checks_first`, `pitch`, `words`, as the API has them; None: not yet."""
    estimate_words: str | None = None
    """Why there are no degrees yet, e.g. `degrees follow`."""
    target_amps: float | None = None
    """Limit less the target margin [A], which the chance is about as it is."""
    target_amps_supply_right: float | None = None
    """The same for the full limit [A], which the chance is about once the supply is put right."""

    run_began: datetime | None = None
    """When the run began that ended or goes on [event time]."""
    called: bool | None = None
    """Whether the control calls for the fan now."""
    end_cause: str | None = None
    """How the run ended, as judged: `overload trip`, `phase lost` and so on."""
    confidence: str | None = None
    """How sure that is: `sure`, `high`, `likely` or `possible`."""
    ended_words: str | None = None
    """The verdict as a sentence of its own, where there is one."""
    evidence: tuple[str, ...] = ()
    """What speaks for the verdict, sentences with figures."""
    fans: tuple[str, ...] = ()
    """Names of the fans that an alarm of a supply or of a whole site is about."""

    tonight: Mapping[str, Any] | None = None
    """The night's outlook of a whole site, for `cold-night`, see `cold_night`."""

    last_reading: datetime | None = None
    """Time of the last reading [event time]."""
    period_seconds: float | None = None
    """Usual time between two readings [s]."""
    logger_words: str | None = None
    """The logger's own last word, e.g. `offline`."""

    cautions: tuple[str, ...] = ()
    """Short cautions where work is advised, each a sentence."""
    page: str | None = None
    """Address of the fan's page, where it is acknowledged."""
    acknowledge_link: str | None = None
    """Address that acknowledges it after one confirming tap; told instead of the page while there is something to
    acknowledge."""
    unacknowledged_minutes: float | None = None
    """Others were told first and for so long nobody has acknowledged it [min]; None: they are the first to be told."""
    told_first: tuple[str, ...] = ()
    """Names of the routes that were told first, where that is known."""
    also: tuple[str, ...] = field(default=())
    """Further sentences for the long form."""

    @property
    def highest_leg_amps(self) -> float | None:
        """The highest leg [A]."""
        known = [amps for amps in self.legs_amps if amps is not None]
        return max(known) if known else None

    @property
    def percent_of_full_load(self) -> float | None:
        """The highest leg as a share of full-load amps [%]."""
        highest = self.highest_leg_amps
        return 100.0 * highest / self.full_load_amps if highest is not None and self.full_load_amps else None

    @property
    def pitch(self) -> Mapping[str, Any] | None:
        """The pitch block of the estimate."""
        pitch = self.estimate.get("pitch") if self.estimate else None
        return pitch if isinstance(pitch, Mapping) else None
