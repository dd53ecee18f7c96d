"""The document of every notice leaves none out."""

from __future__ import annotations

import document

from monitor.alarms.characters import septets
from monitor.alarms.notice import KINDS
from monitor.watch.table import BY_ID

TOLD = list(document.every_notice())


def test_every_condition_and_every_kind_occurs() -> None:
    assert {one.kind for one in TOLD} == set(KINDS)
    single = {one.conditions[0] for one in TOLD if one.kind in ("raised", "told-again", "cleared")}
    assert single == set(BY_ID)
    for kind in ("raised", "cleared"):
        assert {one.conditions[0] for one in TOLD if one.kind == kind} == set(BY_ID), kind


def test_every_short_form_fits_two_messages() -> None:
    assert [one.name for one in TOLD if septets(one.short) > 300] == []


def test_it_holds_each_of_them_in_full() -> None:
    text = document.document()
    assert text.count("\n## ") == len(TOLD)
    for one in TOLD:
        assert one.short in text and one.long in text and one.subject in text
