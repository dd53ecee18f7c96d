"""How it was worked out and from which sources, each marked with how well it is known; and the cautions."""

from __future__ import annotations

from monitor.motor import thermal
from monitor.review.findings import Findings
from monitor.review.report import words
from monitor.review.report.blocks import Block, Column, Heading, Item, Listing, Paragraph, Section, Table
from monitor.review.report.heat import device_seconds
from monitor.review.report.sources import METHOD


def section(findings: Findings, units: str, version: str) -> Section:
    """Nameplate, device, method, sources."""
    blocks: list[Block] = [
        Heading("What was registered for this fan"),
        Table(
            "What was registered for this fan",
            (Column("What", 1.0), Column("Value", 3.0)),
            _registered(findings, units),
        ),
        Heading("Method and sources"),
        Paragraph(
            "Published: from a standard, code or text. Derived: worked out and checked by simulation for this "
            "program; an "
            "estimate. Common practice: what the trade does, without a source. Standards are quoted by clause; "
            "figures “from "
            "memory” should be compared with the document itself before money or liability hangs on them."
        ),
        Table(
            "Method and sources",
            (Column("What", 1.2), Column("How", 3.4), Column("Source", 1.8), Column("Known as", 1.0)),
            _method(),
        ),
        Paragraph(f"Worked out by fan amp monitor {version} from the log and the nameplate file alone.", small=True),
    ]
    return Section("method", "Method and sources", tuple(blocks))


def _method() -> tuple[tuple[str, ...], ...]:
    return tuple((step.what, step.how, step.source, step.known) for step in METHOD)


def _registered(findings: Findings, units: str) -> tuple[tuple[str, str], ...]:
    plate = findings.nameplate
    motor, device, fan = plate.motor, plate.protection, plate.fan
    rows = [
        ("Motor", ", ".join(filter(None, [
            None if motor.rated_power_hp is None else words.power(motor.rated_power_hp, units),
            f"{words.plain(motor.rated_voltage)} V",
            "single-phase" if motor.phases == 1 else "three-phase",
        ]))),
        ("Full-load amps", words.amps(motor.full_load_amps)),
        ("Service factor", words.plain(motor.service_factor)),
    ]  # fmt: skip
    if motor.service_factor_amps is not None:
        rows.append(("Service-factor amps", words.amps(motor.service_factor_amps)))
    setting = "setting not registered" if device.setting_amps is None else f"set to {words.amps(device.setting_amps)}"
    trip_class = (
        f"class {thermal.DEFAULT_TRIP_CLASS} taken, none is registered"
        if device.trip_class is None
        else f"class {device.trip_class}"
    )
    rows.append(("Overload device", f"{device.type}, {setting}, {trip_class}"))
    if device.setting_amps is not None:
        constant = f"time constant {device_seconds(plate):.0f} s"
        rows.append(("Its thermal image", f"{constant}, trip level {words.plain(device.trip_ratio)} x its setting"))
    if fan.blade_pitch_degrees is not None:
        rows.append(("Blade pitch", words.degrees(fan.blade_pitch_degrees)))
    if fan.available_pitch_degrees:
        rows.append(("Inserts on hand", ", ".join(words.plain(angle) for angle in fan.available_pitch_degrees)))
    if fan.minimum_pitch_degrees is not None:
        rows.append(("Least pitch", words.degrees(fan.minimum_pitch_degrees)))
    if fan.coldest_expected_c is not None:
        rows.append(("Coldest night expected", words.temperature(fan.coldest_expected_c, units)))
    rows.append(("Control", fan.control or "not registered"))
    return tuple(rows)


def cautions(findings: Findings) -> Section:
    """All cautions of the findings."""
    return Section(
        "cautions", "Cautions", (Listing(tuple(Item(words.sentence(caution)) for caution in findings.cautions)),)
    )
