"""The steps of the method with their sources, each marked with how well it is known."""

from __future__ import annotations

from dataclasses import dataclass

from monitor.motor.thermal import CLASS_SOURCE, IMAGE_SOURCE

PUBLISHED, DERIVED, PRACTICE = "published", "derived", "common practice"


@dataclass(frozen=True)
class Step:
    """One step."""

    what: str
    how: str
    source: str
    known: str
    """PUBLISHED (standard, code, text), DERIVED (worked out, checked by simulation) or PRACTICE (of the trade)."""


METHOD: tuple[Step, ...] = (
    Step(
        "Voltage unbalance",
        "Greatest deviation of a line voltage from their mean, over the mean. Beside it the true factor, negative "
        "over positive sequence.",
        "NEMA MG 1, 14.36; IEC 61000-4-30",
        PUBLISHED,
    ),
    Step(
        "Limit of the motor",
        "Full-load amps x service factor, or the service-factor amps of the nameplate. The service factor holds at "
        "rated voltage, up to 40 °C (104 °F) and 1000 m (3300 ft).",
        "Nameplate; NEMA MG 1, 1.42",
        PUBLISHED,
    ),
    Step(
        "Derating for unbalance",
        "Straight lines through 1 at 1 %, 0.95 at 2 %, 0.88 at 3 %, 0.82 at 4 %, 0.75 at 5 %; above 5 % there is no "
        "factor.",
        "NEMA MG 1, 14.36, figure 14-1, as commonly printed (from memory)",
        PUBLISHED,
    ),
    Step(
        "The same factor on amps",
        "It is a factor of power; on amps it is a simplification on the safe side.",
        "Own reasoning",
        DERIVED,
    ),
    Step(
        "Amps at another voltage, load or air",
        "An active part (power over voltage) and a magnetising part at right angles; the spread of the legs is added.",
        "Checked on 120 motor circuits: right within 1 to 2 % of the amps",
        DERIVED,
    ),
    Step(
        "Cold air",
        "Shaft power of a fan at fixed speed goes with the density of the air; reference 20 °C (68 °F) at the site's "
        "altitude.",
        "Fan laws (AMCA)",
        PUBLISHED,
    ),
    Step(
        "Thermal images",
        "First-order images of the heat of motor and overload device. Time constants from the trip class, the "
        "motor's taken as 30 min.",
        f"{IMAGE_SOURCE}; {CLASS_SOURCE} (from memory)",
        PUBLISHED,
    ),
    Step(
        "How a run ended",
        "From the device's image, the volts at the end and the other fans of the supply. On simulated ends “very "
        "likely” was right in 94 % and more, “likely” in 90 % and more, “possible” in about 80 %.",
        "Simulated farms; IEC 60947-4-1 for where devices open",
        DERIVED,
    ),
    Step(
        "What a degree is worth",
        "exp(−0.075) of shaft power a degree, one standard deviation 0.015, unless the fan's own figure is given or "
        "was learned. Check: some 8 to 10 A for every 2 degrees on a 15 hp drying fan.",
        "Blade-element estimate; the check is the trade's, without a source",
        f"{DERIVED}; check {PRACTICE}",
    ),
    Step(
        "Chance of an insert",
        "From the spread of that belief, the accuracy of the clamps and the spread of the half hour.",
        "Checked by Monte Carlo",
        DERIVED,
    ),
    Step(
        "Cost in air",
        "Along a system curve with pressure going as air to the power 1.5 (grain: 1.3 to 1.8); drying time as its "
        "inverse.",
        "ASABE D272",
        f"{PUBLISHED}; applied here: {DERIVED}",
    ),
    Step(
        "Order of the checks",
        "Supply, connections, bearings, and only then pitch.",
        "The trade, without a source",
        PRACTICE,
    ),
    Step(
        "Bounds of the overload setting",
        "At most 125 % of full-load amps (service factor 1.15 and up) or 115 % (all others).",
        "NEC 430.32",
        PUBLISHED,
    ),
    Step(
        "Alarms",
        "Voltage within 10 % of rated; unbalance over 3 % told, over 5 % severe; starts in an hour by power and "
        "poles. Delays and deadbands are this program's own.",
        "NEMA MG 1, 12.44 and 14.36; ANSI C84.1; NEMA MG 10, table 2-3; terms of ISA-18.2 and IEC 62682",
        f"{PUBLISHED}; delays {DERIVED}",
    ),
)  # fmt: skip
