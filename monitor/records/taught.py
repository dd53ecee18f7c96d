"""What the re-pitches of the service record teach of a degree's worth, and whose figure is offered to a fan.

A figure is offered in words only, by the fans of the same site: nothing is worked with it until somebody enters it.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from typing import Any

from sqlalchemy.engine import Connection

from monitor.blades.learning import Learned, Offer, PowerFigures, Repitch, Taught, learn, offers
from monitor.motor.nameplate import Nameplate
from monitor.records import register, service_record
from monitor.records.register import PointKey, Version
from monitor.records.rows import to_ms
from monitor.records.service_record import Entry


def learned_from(nameplate: Nameplate, re_pitches: Iterable[Entry]) -> Learned:
    """What is believed of a fan after its re-pitches, as far as they have been worked out."""
    return learn(nameplate.motor, nameplate.fan, [repitch_of(one) for one in re_pitches])


def repitch_of(entry: Entry) -> Repitch:
    """A re-pitch of the record with the figures that are kept with it."""
    found = entry.found
    return Repitch(
        float(to_ms(entry.done)),
        entry.body["from"],
        entry.body["to"],
        bool(found.get("other_fan_of_plenum_changed")),
        figures_of(found.get("before")),
        figures_of(found.get("after")),
    )


def figures_of(kept: Mapping[str, Any] | None) -> PowerFigures | None:
    """Figures as they are kept in `found`."""
    return None if kept is None else PowerFigures(**kept)


def offers_to(connection: Connection, key: PointKey, version: Version) -> tuple[Offer, ...]:
    """What sister fans of the same site have learned, for a fan without a figure of its own; the surest first.

    Parameters
    ----------
    key, version : of a fan that the reader may see, and so the other fans of its site
    """
    if version.nameplate.fan.amps_per_degree is not None:
        return ()
    re_pitches = service_record.re_pitches_at(connection, key.site)
    if not re_pitches.keys() - {key.point_id}:
        return ()
    own = learned_from(version.nameplate, re_pitches.get(key.point_id, ()))
    if own.used:
        return ()
    others = [
        Taught(other.name, plate.motor, plate.fan, learned_from(plate, re_pitches[other.point_id]))
        for other, plate in ((other, its.nameplate) for other, its in register.fans_in(connection, [key.site]))
        if other.point_id in re_pitches and other.point_id != key.point_id
    ]
    return offers(version.nameplate.motor, version.nameplate.fan, own, others)
