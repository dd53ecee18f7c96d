"""Cautions: complete, quoted by id, and never an invitation to do what they warn of."""

from __future__ import annotations

import pytest

from monitor.blades import cautions
from monitor.watch.table import CONDITIONS


def test_ids_are_short_and_unique() -> None:
    ids = [caution.id for caution in cautions.CAUTIONS]
    assert len(set(ids)) == len(ids) == 17
    assert all(len(caution) <= 20 and caution == caution.lower() for caution in ids)
    assert all(caution.text.endswith(".") for caution in cautions.CAUTIONS)


@pytest.mark.parametrize(
    "must_be_said",
    [
        "qualified people", "NFPA 70E", "your own lock", "capacitors", "block the rotor", "checked before and after",
        "feed back", "heater's fuel", "burner", "29 CFR 1928.57", "29 CFR 1910.147", "Never enter a bin",
        "does not make a bin safe", "service manual", "balance washers", "tip clearance", "torque", "measure again",
        "set all blades the same", "licensed electricians", "never raised as a remedy", "125 %", "115 %",
        "does not raise the limit", "Not every trip can be announced", "no protective device",
    ],
)  # fmt: skip
def test_where_work_is_advised_everything_is_said(must_be_said: str) -> None:
    assert any(must_be_said in text for text in cautions.for_work())


@pytest.mark.parametrize(
    "must_be_said", ["without warning", "finding", "leave the fan off", "keep out", "fire service"]
)
def test_beside_a_trip_everything_is_said(must_be_said: str) -> None:
    assert any(must_be_said in text for text in cautions.for_tripped())


def test_notices_have_short_forms() -> None:
    for condition in [row.id for row in CONDITIONS]:
        brief = cautions.for_notice(condition)
        assert all(0 < len(text) <= 80 and text.endswith(".") for text in brief)
    assert cautions.for_notice("overload")
    assert "It may restart without warning." in cautions.for_notice("stopped")
    assert [row.id for row in CONDITIONS if not cautions.for_notice(row.id)] == ["site-silent"]


@pytest.mark.parametrize("condition", ["supply-lost", "phase-lost", "trip-near", "slow-start", "tripped"])
def test_where_a_fan_has_to_stop_the_heater_comes_first(condition: str) -> None:
    assert any("never a burner with its fan off" in brief for brief in cautions.for_notice(condition))


@pytest.mark.parametrize("condition", ["phase-lost", "trip-near", "slow-start", "many-starts", "stopped", "tripped"])
def test_where_a_motor_may_burn_smoke_is_named(condition: str) -> None:
    assert any(brief.startswith("Smoke or a hot smell") for brief in cautions.for_notice(condition))


def test_beside_a_trip_a_notice_says_all_that_a_page_says() -> None:
    brief = cautions.for_notice("tripped")
    for must_be_said in ("without warning", "finding", "keep out", "fire service", "Lock out"):
        assert any(must_be_said in text for text in brief)


def test_every_caution_is_shown_somewhere() -> None:
    shown = {*cautions.for_work(), *cautions.for_tripped(), cautions.text("clamp-correction")}  # that: service record
    assert shown == {caution.text for caution in cautions.CAUTIONS}


def test_an_unknown_id_is_our_own_mistake() -> None:
    with pytest.raises(KeyError):
        cautions.text("no such caution")
