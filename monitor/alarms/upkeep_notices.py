"""Notices about the computer that the watch runs on: its disk fills, nothing can be stored, no backup is made.

Each says what it means for the fans, what to do, and what is lost if nobody does; in this order.
"""

from __future__ import annotations

from dataclasses import dataclass
from datetime import datetime
from zoneinfo import ZoneInfo

from monitor.alarms import figures
from monitor.alarms.characters import clean, fold
from monitor.alarms.data import plain, rfc3339
from monitor.alarms.long_form import FOOTER, written
from monitor.alarms.short_form import (
    ADDRESS,
    FIGURES,
    FIRST_STEP,
    MORE_FIGURES,
    NICE_TO_KNOW,
    SHORT_AT_MOST,
    WHY,
    Piece,
    fit,
)
from monitor.alarms.texts import Texts

DISK_NEARLY_FULL = "disk-nearly-full"
CANNOT_STORE = "cannot-store"
BACKUP_LATE = "backup-late"


@dataclass(frozen=True)
class About:
    """What all of them say."""

    since: datetime
    """When it began [wall time, aware UTC]."""
    now: datetime
    """When the notice is made [wall time, aware UTC]."""
    fans: int
    """How many fans it concerns, out of service not counted."""
    time_zone: ZoneInfo
    """In which times are told."""
    name_zone: bool = False
    """Whether to name the time zone, where sites lie in more than one."""
    back: datetime | None = None
    """When it was over [wall time]; None: it lasts."""
    page: str | None = None
    """Address of the Fans page."""


@dataclass(frozen=True)
class Disk:
    """The disk of the database."""

    where: str
    """The directory of the database, as set."""
    free_share: float
    """0 to 1; what the database can use again in its own file counts as free."""
    free_bytes: int
    """The same."""
    why_no_room: str | None = None
    """Why the monitor cannot make room itself, in words; None: it can, or need not."""


def disk_nearly_full(about: About, disk: Disk) -> Texts:
    """That the disk fills, or that there is room again."""
    free = f"{figures.small_percent(100.0 * disk.free_share)} free ({_size(disk.free_bytes)})"
    data = _data(DISK_NEARLY_FULL, about) | {
        "free_share": round(disk.free_share, 4), "free_bytes": disk.free_bytes, "where": plain(disk.where),
        "why_no_room": plain(disk.why_no_room),
    }  # fmt: skip
    if about.back is not None:
        subject = f"The fan monitor's disk has room again: {free}"
        return Texts(subject, subject + ".", written([[f"{subject}."], _end(about)]), data)
    subject = f"The fan monitor's disk is nearly full: {free}"
    why = f"{disk.why_no_room}." if disk.why_no_room else ""
    why = why[:1].upper() + why[1:]
    short = fit(
        [
            Piece((f"THE FAN MONITOR'S DISK IS NEARLY FULL: {free}.",), (FIGURES,)),
            Piece(("When it is full no fan is watched.",), (WHY,)),
            Piece(("Make room: old logs, other programs' files.", "Make room."), (FIRST_STEP,)),
            Piece((why, ""), (MORE_FIGURES,)),
            Piece((about.page or "", ""), (ADDRESS,), verbatim=True),
        ],
        SHORT_AT_MOST,
    )
    long = written(
        [
            ["The disk of the fan monitor's computer is nearly full."],
            [
                f"Room: {free}, at {clean(disk.where)}.",
                "What the database can use again in its own file is counted as free.",
                f"All is well yet: {_fans(about.fans)} watched.",
                "When the disk is full nothing can be stored, and no overload or trip is seen or told.",
            ],
            [why],
            [
                "What to do, in this order:",
                "1. Look what fills it: files of other programs, old logs and downloads, old backups.",
                "2. Keep raw readings for less long: keep_days in the settings. What was found in them stays.",
                "3. Give the monitor a larger disk; the data directory can simply be moved while it is stopped.",
            ],
            ["Never remove files of the data directory one by one."],
            _end(about),
        ]
    )
    return Texts(subject, short, long, data)


def cannot_store(about: About, trouble: str, full: bool) -> Texts:
    """That nothing can be stored, so that no fan is watched; or that it can again.

    Parameters
    ----------
    trouble : what the database said, in words
    full : the disk is full
    """
    data = _data(CANNOT_STORE, about) | {"trouble": plain(trouble), "full": full}
    since = figures.moment(about.since, about.now, about.time_zone)
    zone = f" ({about.time_zone.key})" if about.name_zone else ""
    if about.back is not None:
        lasted = figures.span((about.back - about.since).total_seconds())
        first = f"The fan monitor stores again, after {lasted} (since {since}{zone})"
        kept = "Readings that the broker kept are judged now; a trip or an overload in them is told."
        look = "See that every fan that should run does."
        return Texts(
            f"The fan monitor stores again: {_fans(about.fans)} watched again",
            f"{first}: {_fans(about.fans)} watched again. {look} {kept}",
            written([[f"{first}."], [f"Watched again: {_fans(about.fans)}.", kept], [f"What to do first: {look}"],
                     _end(about)]),
            data,
        )  # fmt: skip
    what = "its DISK IS FULL" if full else "it CANNOT WRITE its database"
    step = "Make room on its disk now" if full else "See to its disk and database now"
    short = fit(
        [
            Piece((f"THE FAN MONITOR DOES NOT WATCH: {what} since {since}{zone}; {_fans(about.fans)} NOT WATCHED.",),
                  (FIGURES,)),
            Piece((f"{step}; look at the fans yourself meanwhile.", f"{step}."), (FIRST_STEP,)),
            Piece(("" if full else f"It says: {fold(clean(trouble))}", ""), (NICE_TO_KNOW,)),
            Piece((about.page or "", ""), (ADDRESS,), verbatim=True),
        ],
        SHORT_AT_MOST,
    )  # fmt: skip
    steps = (
        (
            "1. Make room on the disk of its computer: files of other programs, old logs and downloads, old backups.",
            "2. Nothing has to be started again: within seconds it stores what has waited.",
        )
        if full
        else (
            "1. Does another program hold the database (a copy, a viewer)? End it.",
            "2. Is the disk read-only, does it report errors, was it taken out? See the computer's log.",
            "3. Nothing has to be started again: within seconds it stores what has waited.",
        )
    )
    long = written(
        [
            [f"The fan monitor does not watch: {what}, and what cannot be stored is not judged."],
            [
                f"Not watched: {_fans(about.fans)}. An overload or a trip would be told to nobody.",
                f"Since: {since}{zone}.",
                f"The database says: {clean(trouble)}",
            ],
            ["What to do, now:", *steps],
            [
                "Until then look at the fans yourself, and switch off any heater whose fan nobody sees.",
                "Readings wait at the broker and in the loggers meanwhile, as far as these keep them.",
                "This notice was sent from memory: it stands on no page, and after a restart it may come again.",
            ],
            _end(about),
        ]
    )
    return Texts(f"The fan monitor does not watch: {what.lower()}", short, long, data)


def backup_late(about: About, trouble: str, newest: datetime | None) -> Texts:
    """That no backup was made when one was due, or that one is there again.

    Parameters
    ----------
    trouble : why not, in words
    newest : when the newest backup was made; None: there is none
    """
    data = _data(BACKUP_LATE, about) | {"trouble": plain(trouble), "newest": rfc3339(newest)}
    if about.back is not None:
        subject = "The fan monitor's backups are made again"
        return Texts(subject, subject + ".", written([[f"{subject}."], _end(about)]), data)
    last = "none" if newest is None else figures.moment(newest, about.now, about.time_zone)
    said = clean(trouble).rstrip(".")
    subject = "The fan monitor's backup was not made"
    short = fit(
        [
            Piece((f"{subject}: {fold(said)}.", f"{subject}."), (WHY,)),
            Piece((f"Newest: {last}.",), (FIGURES,)),
            Piece(("The fans are watched all the same.", ""), (MORE_FIGURES,)),
            Piece((about.page or "", ""), (ADDRESS,), verbatim=True),
        ],
        SHORT_AT_MOST,
    )
    long = written(
        [
            [f"{subject}."],
            [f"Why: {said}.", f"The newest backup is of: {last}.", "The fans are watched all the same."],
            ["It is tried again each hour. What goes wrong with the computer's disk until then cannot be restored."],
            _end(about),
        ]
    )
    return Texts(subject, short, long, data)


def _data(kind: str, about: About) -> dict[str, object]:
    return {
        "kind": kind, "since": rfc3339(about.since), "back": rfc3339(about.back), "fans": about.fans,
        "page": about.page,
    }  # fmt: skip


def _fans(count: int) -> str:
    return f"{count} fan{'s' if count != 1 else ''}"


def _size(size: int) -> str:
    """
    >>> _size(4_200_000_000), _size(730_000_000), _size(40_000)
    ('4.2 GB', '730 MB', '0 MB')
    """
    return f"{size / 1e9:.1f} GB" if size >= 1e9 else f"{size / 1e6:.0f} MB"


def _end(about: About) -> list[str]:
    where = f"those of {about.time_zone.key}" if about.name_zone else "local at the site"
    return [f"The fans: {about.page}" if about.page else "", f"Times are {where}.", FOOTER]
