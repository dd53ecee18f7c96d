"""Nameplate files of invented fans: what a farmer would know and write down."""

from __future__ import annotations

from typing import Any

import tomli_w

from simulated.scenario import Fan, Site


def nameplate_text(fan: Fan, site: Site) -> str:
    """The nameplate file of a fan (TOML), with the points its air temperature and volts come from."""
    blades: dict[str, Any] = dict(fan.fan)
    blades.setdefault("plenum", fan.bin)
    if site.weather.point is not None and not fan.sends.ambient:
        blades.setdefault("weather", site.weather.point)
    if fan.names_supply and site.supplies[fan.supply].point and not fan.sends.volts:
        blades.setdefault("supply", fan.supply)
    logger = {"accuracy_percent": 2.0, "accuracy_amps": 0.5, "period_seconds": 10, "averaging": False, **fan.logger}
    tables: dict[str, Any] = {"motor": {"phases": 3, **fan.motor}}
    if fan.protection:
        tables["protection"] = fan.protection
    tables["fan"] = blades
    tables["logger"] = logger
    if fan.conditions:
        tables["conditions"] = fan.conditions
    return tomli_w.dumps(tables)
