"""What would confirm or refute each cause at the fan, and how to do that safely.

The order of work and the lead test follow the trade (T. Bishop, *Electrical Construction & Maintenance*, 2014, for the
lead test; all else common practice, no source). Whoever does it keeps to local codes: they and the cautions
(`blades.cautions`) go before anything said here.
"""

from __future__ import annotations

from collections.abc import Mapping

from monitor.blades.cautions import BY_ID

FAN_LOAD, SUPPLY_VOLTAGE, SUPPLY_UNBALANCE = "fan load", "supply voltage", "supply unbalance"
LEG_CONNECTION, LOST_PHASE, LOST_SUPPLY = "leg connection", "lost phase", "lost supply"
AIR_DENSITY, FAULT = "air density", "fault"
CAUSES = (
    FAN_LOAD, SUPPLY_VOLTAGE, SUPPLY_UNBALANCE, LEG_CONNECTION, LOST_PHASE, LOST_SUPPLY, AIR_DENSITY, FAULT,
)  # fmt: skip

ROTATE = (
    "Rotate the leads, locked out: from A-1, B-2, C-3 to A-3, B-1, C-2, all three moved one place the same way, so "
    "that the sense of rotation stays. Highs and lows that stay with the supply line are the supply's; those that "
    "move with the motor lead are the motor's."
)
_READ = (
    "Read all three line-to-line voltages and all three currents running, at the motor or as near as can be measured "
    "safely, and at the service, within a minute of each other."
)
_TABLE: Mapping[str, tuple[str, tuple[str, ...]]] = {
    FAN_LOAD: (
        (
            "Confirmed if, with supply, connections and bearings in order, all legs stay high and equal: then "
            "look at the blade angle by its inserts, the depth and fines of the grain, blocked beds or ducts, and"
            " the wiring for low or high voltage against the nameplate. Refuted if the bearings are rough or the "
            "blades rub (turned by hand, locked out), or if the amps fall once the volts are right."
        ),
        ("lock-out", "heater", "bin", "service-manual"),
    ),
    SUPPLY_VOLTAGE: (
        (
            f"{_READ} Confirmed if the volts are low at the motor: where they drop (contact, fuse clip, long run, "
            "service) is the fault. Refuted if they are near the nameplate's while the amps stay high."
        ),
        ("not-live", "electrician"),
    ),
    SUPPLY_UNBALANCE: (
        (
            f"{_READ} Confirmed if the voltages are unequal there; the step where that first appears is the fault."
            f" {ROTATE} Refuted if the voltages are equal while the legs are not."
        ),
        ("not-live", "lock-out", "electrician"),
    ),
    LEG_CONNECTION: (
        (
            "Look for heat and discolouration at the terminals, contacts and fuse clips of the highest and the "
            "lowest leg (infrared through a closed window, or a millivolt drop under load by a qualified person). "
            f"Confirmed if one of them is hot, burnt or loose, or if it moves with the lead: {ROTATE} Then the motor: "
            "resistance from lead to lead within 2 % of its average. Refuted if the voltages at the motor are unequal "
            "by a tenth of the spread of the legs: then it is the supply's."
        ),
        ("lock-out", "not-live", "electrician"),
    ),
    LOST_PHASE: (
        (
            "Find the open line: fuses, disconnect, contactor poles, splices and the utility's own fuse, dead and"
            " locked out; a motor that is switched on again on two lines only hums and burns. Confirmed by an "
            "open fuse, pole or splice; refuted if all three lines have voltage at the motor's leads and all "
            "three windings are whole."
        ),
        ("lock-out", "electrician", "back-feed"),
    ),
    LOST_SUPPLY: (
        (
            "Ask the neighbours and the utility, and look at the main breaker and the other fans: confirmed if "
            "they stopped at the same moment, refuted if they ran on. Start fans one after the other when it is "
            "back."
        ),
        ("restarts", "back-feed", "electrician"),
    ),
    AIR_DENSITY: (
        (
            "Confirmed if the fan is under its limit again on a warmer day at the same volts; refuted if it is "
            "not. A cold night does not raise the limit: fewer degrees of pitch for the coldest air expected are "
            "the remedy."
        ),
        ("lock-out", "service-manual"),
    ),
    FAULT: (
        (
            "Locked out, rotor blocked until hands are clear: turn the blades by hand (ice, something jammed, "
            "bearing, rub), look at wiring and contacts for burns, then the winding's resistance from lead to "
            "lead and to ground by a qualified person; on single-phase motors the start switch and the "
            "capacitors. Confirmed by what is found there; refuted if the rotor is free, the winding is whole and it "
            "starts within a few seconds."
        ),
        ("lock-out", "smoke", "electrician"),
    ),
}
LOCAL_CODES = "Local codes and the fan's own service manual go before this."


def confirm_by(cause: str) -> str:
    """What would confirm or refute a cause, with the cautions that belong to it.

    Raises
    ------
    KeyError : not one of CAUSES
    """
    what, cautions = _TABLE[cause]
    safely = [BY_ID[caution].brief or BY_ID[caution].text for caution in cautions]
    if "service-manual" not in cautions:
        safely.append(LOCAL_CODES)
    return " ".join([what, *safely])
