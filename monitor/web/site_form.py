"""A site as a form and the API have it: its fields, every fault at its field, and the time zones to choose from.

The ranges are those of the settings file, from the same table.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from dataclasses import dataclass, field, replace
from functools import lru_cache
from typing import Any
from zoneinfo import available_timezones

from pydantic import ValidationError

from monitor.errors import Fault
from monitor.faults import faults_of
from monitor.records.actions import clean
from monitor.records.register import Site
from monitor.settings import NAME, SiteSettings
from monitor.web.plate_fields import number_of

FEET_A_METRE = 1 / 0.3048
KEPT_NAMES = frozenset({"new"})
"""Names that would hide a page."""
LIKELY = (
    "America/Chicago", "America/New_York", "America/Denver", "America/Los_Angeles", "America/Phoenix",
    "America/Indiana/Indianapolis", "America/North_Dakota/Center", "America/Winnipeg", "America/Regina",
    "America/Edmonton", "America/Toronto",
)  # fmt: skip
"""Where most grain of North America stands."""
LONGEST_NAME = 80


@dataclass(frozen=True)
class SiteEntered:
    """What stands on the form, and what is wrong with it."""

    values: Mapping[str, str]
    at_fields: Mapping[str, tuple[str, ...]] = field(default_factory=dict)

    @property
    def faulty(self) -> bool:
        """Whether something is wrong."""
        return bool(self.at_fields)


def begun(site: Site | None, *, name: str = "", zone: str = "") -> SiteEntered:
    """The form as it opens: on a site, or empty with what is likely."""
    if site is None:
        return SiteEntered(
            {"site": name, "name": "", "time_zone": zone, "altitude": "", "altitude_unit": "ft", "units": "us",
             "supper": "17:00"}
        )  # fmt: skip
    unit = "m" if site.units == "si" else "ft"
    return SiteEntered(
        {"site": site.site, "name": site.name, "time_zone": site.time_zone, "altitude": altitude_shown(site, unit),
         "altitude_unit": unit, "units": site.units, "supper": site.supper}
    )  # fmt: skip


def altitude_shown(site: Site, unit: str) -> str:
    """The altitude as it stands in its field."""
    return f"{round(site.altitude_m * (FEET_A_METRE if unit == 'ft' else 1.0)):d}"


def read(typed: Mapping[str, str], before: Site | None) -> tuple[SiteEntered, Site | None]:
    """The site that was typed, or None with every fault at its field.

    Parameters
    ----------
    before : the site as it is, for a change; what is not on the form stays as it is
    """
    old = begun(before)
    values = {name: clean(typed.get(name), 200) if name in typed else old.values[name] for name in old.values}
    said: dict[str, Any] = {name: values[name] for name in ("name", "time_zone", "units", "supper")}
    if len(said["supper"]) == 8 and said["supper"].endswith(":00"):  # browsers may send seconds
        said["supper"] = said["supper"][:5]
    said["altitude_m"] = _altitude(values, before)
    site, faults = checked(values["site"] if before is None else before.site, said, before)
    at_fields: dict[str, tuple[str, ...]] = {}
    for fault in faults:
        name = "altitude" if fault.place == "altitude_m" else fault.place
        expected, found = fault.expected, fault.found
        if name == "altitude":
            low, high = (-430, 5000) if values["altitude_unit"] == "m" else (-1411, 16404)
            expected = f"{'metres' if values['altitude_unit'] == 'm' else 'feet'} above the sea, from {low} to {high}"
            found = f'"{values["altitude"]}"'
        at_fields[name] = (*at_fields.get(name, ()), f"Expected {expected}, found {found}.")
    return SiteEntered(values, at_fields), site


def _altitude(values: Mapping[str, str], before: Site | None) -> Any:
    unit = "m" if values["altitude_unit"] == "m" else "ft"
    if before is not None and values["altitude"] == altitude_shown(before, unit):
        return before.altitude_m  # not touched: to the digit as it was
    typed = values["altitude"].lower().removesuffix("ft").removesuffix("m").strip() or "0"
    value = number_of(typed)
    if isinstance(value, str):
        return value
    return float(value) if unit == "m" else round(value / FEET_A_METRE, 2)


def checked(name: str, said: Mapping[str, Any], before: Site | None) -> tuple[Site | None, list[Fault]]:
    """The site that the given keys make, or None with all faults.

    Parameters
    ----------
    said : keys of a site; what is missing stays as it is
    """
    faults: list[Fault] = []
    if before is None and (not NAME.fullmatch(name) or name in KEPT_NAMES):
        expected = "small letters, digits, dashes and dots, beginning with a letter or digit, at most 64"
        faults.append(Fault("site", expected if name not in KEPT_NAMES else "another name", f'"{name}"'))
    if not said.get("time_zone") and (before is None or "time_zone" in said):
        faults.append(Fault("time_zone", "a time zone name such as America/Chicago", "nothing"))
    try:
        read = SiteSettings.model_validate({key: value for key, value in said.items() if key != "time_zone" or value})
    except ValidationError as exc:
        return None, [*faults, *faults_of(exc, SiteSettings)]
    if faults:
        return None, faults
    base = before or Site(name, name, "UTC", 0.0, "us", "17:00")
    given = {key: getattr(read, key) for key in read.model_fields_set if key != "conditions"}
    given["name"] = clean(given.get("name", base.name), LONGEST_NAME) or name
    return replace(base, **given), []


def zones(others: Iterable[Site]) -> tuple[list[str], list[str]]:
    """Time zones to choose from: likely ones, those of the other sites first; and all."""
    there = list(dict.fromkeys(one.time_zone for one in others))
    likely = [*there, *(one for one in LIKELY if one not in there)]
    return [one for one in likely if one in _every_zone() or one in there], list(_every_zone())


@lru_cache(maxsize=1)
def _every_zone() -> tuple[str, ...]:
    areas = ("Africa", "America", "Antarctica", "Asia", "Atlantic", "Australia", "Europe", "Indian", "Pacific")
    return (*sorted(one for one in available_timezones() if one.partition("/")[0] in areas and "/" in one), "UTC")
