"""The notice that somebody sends to see whether notices arrive."""

from __future__ import annotations

from datetime import datetime
from zoneinfo import ZoneInfo

from monitor.alarms import figures
from monitor.alarms.characters import clean, fold, shorten
from monitor.alarms.data import plain, rfc3339
from monitor.alarms.long_form import FOOTER, written
from monitor.alarms.short_form import FIGURES, NAME_AT_MOST, NAMES, NICE_TO_KNOW, SHORT_AT_MOST, Piece, fit
from monitor.alarms.texts import Texts
from monitor.alarms.wording import SUBJECT_AT_MOST

KIND = "test"


def test_notice(route: str, address_words: str, by: str, at: datetime, time_zone: ZoneInfo | None = None) -> Texts:
    """The words of a test of one route.

    Parameters
    ----------
    route : its name
    address_words : to which address, without its secrets, e.g. `mail to a...@example.org`; may be empty
    by : who asked for it; may be empty
    at : when it was asked for [wall time, aware]
    time_zone : in which the time is told; None: UTC, and it says so
    """
    when = figures.moment(at, at, time_zone or ZoneInfo("UTC")) + ("" if time_zone else " UTC")
    who, to = fold(clean(by)), fold(clean(address_words))
    name = fold(clean(route)) or "no name"
    sent = tuple(
        f"Route {shorten(name, most)}, sent{f' by {shorten(who, most)}' if who else ''} at {when}"
        for most in NAME_AT_MOST
    )
    return Texts(
        fit([Piece(tuple(f"Test of route {shorten(name, most)}: nothing is wrong" for most in NAME_AT_MOST), (NAMES,))],
            SUBJECT_AT_MOST),
        fit(
            [
                Piece(("This is a TEST; nothing is wrong.",), (FIGURES,)),
                Piece(tuple(f"{words}." for words in sent), (NAMES,)),
                Piece((f"To: {to}." if to else "", f"To: {shorten(to, 40)}." if to else "", ""), (NICE_TO_KNOW,)),
                Piece(("If you read it, notices of this route reach you.",), (FIGURES,)),
            ],
            SHORT_AT_MOST,
        ),
        written(
            [
                ["This is a test; nothing is wrong."],
                [
                    f"Route: {clean(route) or 'no name'}.",
                    f"To: {clean(address_words)}." if to else "",
                    f"Sent: {when}{f', by {clean(by)}' if who else ''}.",
                ],
                [
                    "If you read it, notices of this route reach you. Nothing has to be done or acknowledged.",
                    "A test does not show that the phone rings at night: see to its own silent hours.",
                ],
                [FOOTER],
            ]
        ),
        {"kind": KIND, "route": plain(route), "address": plain(address_words), "by": plain(by), "at": rfc3339(at)},
    )  # fmt: skip


test_notice.__test__ = False  # type: ignore[attr-defined]  # it is no test, whatever a collector of tests thinks
