"""What to do first, by how the worst run ended: safe first, then in the order of the trade."""

from __future__ import annotations

from monitor.blades.checks import Check
from monitor.review.findings import Findings, Run
from monitor.review.report.blocks import Block, Heading, Item, Listing
from monitor.review.report.headline import SUPPLY_ALARMS, denies_trip, ran_again, worst_run
from monitor.watch import ends

OFF = Item("Shut off any heater's fuel. The fan may start by itself: lock it out before anybody touches it.", "Now.")
RUNS_AGAIN = Item(
    "It has run again since. If nobody started it, it resets itself: shut off any heater's fuel, then switch the fan "
    "off until the cause is found.",
    "Now.",
)
_TRIPPED = (Item("Has it opened? That proves the trip. No reset before the cause is found.", "The overload device."),)
_PHASE_LOST = (
    Item("Do not reset it: on two lines it cannot start, it only hums and burns out.", "Leave it off."),
    Item(
        "If they have it too, it is the utility's line or the main fuses. Tell the utility the time.",
        "Other three-phase fans.",
    ),
    Item(
        "If only this fan has it: its own fuse, contactor, disconnect or a lead, dead and locked out. That is for a "
        "licensed electrician.",
        "Its own supply.",
    ),
)
_SUPPLY_LOST = (
    Item(
        "Did the other fans and the neighbours stop at the same moment? Then tell the utility.", "How far it reaches."
    ),
    Item(
        "If only this fan or this panel: its breaker, fuses and disconnect. That is for a licensed electrician.",
        "Its own supply.",
    ),
    Item("One fan after the other, and see that none turns backwards.", "When it is back."),
)
_SHORT_CIRCUIT = (
    Item("Do not try again and again: each try heats it more.", "Leave it off."),
    Item(
        "Locked out, rotor blocked until your hands are clear of it: ice, something jammed, a bearing, a blade that "
        "rubs? It must turn freely.",
        "Turn the blades by hand.",
    ),
    Item(
        "Leads, contacts and terminals for burns, then the winding: for a qualified person, locked out.", "The motor."
    ),
)
_CANNOT_TELL = (
    Item("Look at its power, its overload device and its control, in this order.", "Why it stopped."),
)  # fmt: skip


def first_steps(findings: Findings) -> list[Block]:
    """A numbered list under its heading; nothing where there is nothing to do."""
    run = worst_run(findings)
    if run is None or not _anything_to_do(findings, run):
        return []
    steps: list[Item] = []
    if _may_start_by_itself(findings, run):
        steps.append(RUNS_AGAIN if ran_again(findings, run) and run.end_cause != ends.SUPPLY_LOST else OFF)
    if run.end_cause == ends.PHASE_LOST:
        steps += _PHASE_LOST
    elif run.end_cause == ends.SUPPLY_LOST:
        steps += _SUPPLY_LOST
    elif run.end_cause == ends.SHORT_CIRCUIT:
        steps += _SHORT_CIRCUIT
    else:
        steps += _TRIPPED if run.end_cause == ends.OVERLOAD_TRIP else ()
        steps += _CANNOT_TELL if run.end_cause == ends.CANNOT_TELL else ()
        if run.end_cause != ends.CANNOT_TELL or findings.causes:
            steps += [_check(check, check.name in findings.estimate.done) for check in findings.estimate.checks]
    return [Heading("What to do first, in this order"), Listing(tuple(steps), ordered=True)]


def _check(check: Check, done: bool) -> Item:
    return Item(check.how, f"{check.name[:1].upper()}{check.name[1:]}{' (on the service record)' if done else ''}.")


def _anything_to_do(findings: Findings, run: Run) -> bool:
    if run.end_cause not in (ends.STOPPED, ends.LOG_ENDED) or findings.overloads or findings.causes:
        return True
    return any(alarm.id in SUPPLY_ALARMS for alarm in findings.alarms)


def _may_start_by_itself(findings: Findings, run: Run) -> bool:
    if run.end_cause == ends.STOPPED:
        return bool(findings.overloads) and not denies_trip(findings)
    if run.end_cause == ends.CANNOT_TELL and ran_again(findings, run):
        return False  # a stop and a lost supply look alike: nothing says that it was reset
    return run.end_cause != ends.LOG_ENDED
