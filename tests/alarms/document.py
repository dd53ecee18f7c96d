"""Every notice there is, in one document to be read by eye: short form with its length, long form, a heading each.

    python -m tests.alarms.document [OUT.md]

Read it as a farmer at two in the morning, then as a service desk. It is made anew each time and kept nowhere; what was
agreed stands in notices/, found_late/ and composed/.
"""

from __future__ import annotations

import sys
from collections.abc import Iterator
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any

sys.path.insert(0, str(Path(__file__).parent))  # tests are no packages, their builders stand beside them

import test_composed
import test_found_late
import test_notices

from monitor.alarms import found_late
from monitor.alarms.characters import septets
from monitor.alarms.texts import Texts
from monitor.alarms.wording import long, short, subject
from monitor.blades.cautions import for_notice


@dataclass(frozen=True)
class Told:
    """One notice, ready to be read."""

    name: str
    kind: str
    conditions: tuple[str, ...]
    """Of the table; empty for a notice of no alarm."""
    subject: str
    short: str
    long: str


def every_notice() -> Iterator[Told]:
    """All of them: of one alarm, found late, composed."""
    for tell in test_notices.STORIES:
        course, figures = tell()
        _, wanted = course.told[-1]
        alarm = course.standing
        figures = replace(figures, cautions=for_notice(alarm.condition))
        forms = subject(alarm, figures, wanted), short(alarm, figures, wanted), long(alarm, figures, wanted)
        yield Told(tell.__name__, wanted.kind, (alarm.condition,), *forms)
    for name, found in test_found_late.STORIES.items():
        conditions = tuple(one.condition for one in found.findings)
        forms = found_late.subject(found), found_late.short(found), found_late.long(found)
        yield Told(f"found late: {name}", found_late.KIND, conditions, *forms)
    for tell in test_composed.STORIES:
        texts: Texts = tell()
        yield Told(tell.__name__, str(texts.data["kind"]), conditions_of(texts.data), *parts(texts))


def parts(texts: Texts) -> tuple[str, str, str]:
    return texts.subject, texts.short, texts.long


def conditions_of(data: dict[str, Any]) -> tuple[str, ...]:
    items = data.get("items") or data.get("standing") or ()
    return tuple(str(item["condition"]) for item in items)


def document() -> str:
    """The whole of it, as Markdown."""
    told = list(every_notice())
    blocks = [f"# Every notice there is: {len(told)}\n"]
    for one in told:
        heading = one.name.replace("_", " ")
        of = f" of {', '.join(dict.fromkeys(one.conditions))}" if one.conditions else ""
        blocks.append(
            f"## {heading[:1].upper()}{heading[1:]}\n\nKind {one.kind}{of}.\n\n"
            f"Subject: {one.subject}\n\nShort, {septets(one.short)} characters:\n\n> {one.short}\n\n"
            f"Long:\n\n```text\n{one.long}```\n"
        )
    return "\n".join(blocks)


if __name__ == "__main__":
    if len(sys.argv) > 1:
        Path(sys.argv[1]).write_text(document(), "utf-8")
    else:
        print(document())
