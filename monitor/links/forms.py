"""Messages of other loggers, read by the [[intake.form]] tables of the settings and handed on in our own form.

A form says which topics it reads, where site and fan stand in them, and where in the payload the channels are. What
comes out is a message with a plain reading (`payload.py`) on our own topic, which holds what really came: that is what
is acknowledged, and what is shown where something is wrong with it. Nothing else behind this door knows of forms.
Values that make no sense are handed on as they are: the decoder of plain readings finds the reason in words.
"""

from __future__ import annotations

import math
import re
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass
from datetime import datetime
from typing import Annotated, Any, Final

import msgspec
from msgspec import Meta

from monitor.links.message import Message
from monitor.links.payload import MAX_BYTES, MAX_READINGS, MISSING_CODES, NOT_JSON, TOO_LARGE, TOO_MANY, WRONG_LEGS
from monitor.links.senml import AMPS, VOLTS, joined
from monitor.settings import LEVELS, NAME, FormSettings

NO_FORM: Final = "no form for this topic"
NO_CHANNEL: Final = "no channel found"
NO_TIME: Final = "no time found"
NO_READINGS: Final = "no readings found"
UNUSABLE_NAME: Final = "unusable name"
UNKNOWN_CHANNEL: Final = "unknown channel"

READINGS_A_MESSAGE: Final = 1_000
"""Ours are longer than many a logger's: a long list becomes several messages, each of a size that is taken."""
_NUMBER: Final = re.compile(r"[+-]?(\d+\.?\d*|\.\d+)([eE][+-]?\d{1,3})?")
_NOTHING: Final = frozenset(("", "nan", "null", "none"))
"""Words by which loggers say "no value" (common practice, no source)."""

_anything: Final = msgspec.json.Decoder().decode
_UNREADABLE: Final = (msgspec.DecodeError, ValueError, OverflowError, RecursionError)


@dataclass(frozen=True)
class Part:
    """A message that may be only a part of a reading: others for the same fan and time may follow."""

    form: FormSettings
    site: str
    fan: str
    t: Any
    """The reading's time, Unix seconds or RFC 3339; None where the message has none."""
    t_ms: float | None
    """The same, ms since 1970."""
    values: Mapping[str, Any]
    """By channel: l1 l2 l3 v12 v23 v31 ambient called."""
    message: Message


class _FaultError(Exception):
    def __init__(self, reason: str, detail: str) -> None:
        self.reason = reason
        self.detail = detail
        super().__init__(reason)


class Forms:
    """The forms of the settings, in their order: the first whose topic fits reads a message."""

    def __init__(self, forms: Sequence[FormSettings], root: str) -> None:
        """
        Parameters
        ----------
        root : first levels of our own topics; what comes on them is no form's
        """
        self._root = root
        self._ours = f"{root}/"
        self._forms = [(form, _pattern(form.topic)) for form in forms]

    @property
    def filters(self) -> list[str]:
        """What to subscribe to, beside our own topics."""
        return list(dict.fromkeys(form.mqtt_filter for form, _ in self._forms))

    def channels_of(self, site: str, fan: str) -> frozenset[str]:
        """All channels that parts of this fan's readings can bring; when they are there, none is waited for."""
        return frozenset(
            channel
            for form, _ in self._forms
            if form.assemble_seconds and form.site in (None, site) and form.fan in (None, fan)
            for channel in _channels(form)
        )

    def read(self, message: Message) -> list[Message] | Part:
        """What a message says, as messages in our own form; or the part of a reading that it is.

        One on our own topics comes back as it is. What cannot be read comes back with its faults.
        """
        if message.topic.startswith(self._ours):
            return [message]
        fits = ((form, pattern.fullmatch(message.topic)) for form, pattern in self._forms)
        form, levels = next((one for one in fits if one[1] is not None), (None, None))
        if form is None or levels is None:
            detail = "the broker still sends what an earlier [[intake.form]] asked for, until client_id is changed"
            return [self._faulty(message, "", "", NO_FORM, detail)]
        found = levels.groupdict()
        site = form.site or form.sites.get(found.get("site", ""), found.get("site", ""))
        fan = form.fan or form.fans.get(found.get("fan", ""), found.get("fan", ""))
        for key, name in (("site", site), ("fan", fan)):
            if not NAME.fullmatch(name):
                shown = name if len(name) <= 64 else name[:61] + "..."
                detail = (
                    f'form "{form.name}": "{shown}" cannot be the name of a {key}; name it under {key}s in the form'
                )
                return [self._faulty(message, "", "", UNUSABLE_NAME, detail)]
        try:
            return self._read(form, message, site, fan, found.get("channel"))
        except _FaultError as exc:
            return [self._faulty(message, site, fan, exc.reason, f'form "{form.name}": {exc.detail}')]

    def made(
        self, site: str, fan: str, tables: Sequence[Mapping[str, Any]], parts: tuple[Message, ...],
        faults: tuple[tuple[str, str], ...] = (),
    ) -> Message:  # fmt: skip
        """A message in our own form that stands for those it was made of; the time of receipt is the first one's."""
        first = parts[0]
        payload = b"" if not tables else msgspec.json.encode(tables[0] if len(tables) == 1 else tables)
        return Message(
            first.generation, first.mid, f"{self._root}/{site}/{fan}/readings", payload,
            any(part.retain for part in parts), first.received_ms, first.qos, parts, faults,
        )  # fmt: skip

    def _faulty(self, message: Message, site: str, fan: str, reason: str, detail: str) -> Message:
        return self.made(site, fan, (), (message,), ((reason, detail),))

    def _read(
        self, form: FormSettings, message: Message, site: str, fan: str, channel_level: str | None
    ) -> list[Message] | Part:
        if len(message.payload) > MAX_BYTES:
            raise _FaultError(TOO_LARGE, f"more than {MAX_BYTES} bytes")
        channel: str | None = form.channel
        if channel_level is not None:
            channel = form.channels.get(channel_level)
            if channel is None:
                known = ", ".join(form.channels)
                raise _FaultError(UNKNOWN_CHANNEL, f'expected {known} in the topic, found "{channel_level[:40]}"')
        if channel is not None and form.value is None:
            return self._part(form, message, site, fan, None, _in_our_units(form, {channel: _plain_number(message)}))
        document = _document(message.payload)
        items = _list_in(form, document)
        if form.assemble_seconds and len(items) == 1:
            t, values = _one(form, items[0], channel)
            return self._part(form, message, site, fan, t, values)
        tables, faults = [], []
        for item in items:
            try:
                t, values = _one(form, item, channel)
                tables.append(table_of(t, values))
            except _FaultError as exc:
                faults.append((exc.reason, f'form "{form.name}": {exc.detail}'))
        return self._messages(site, fan, tables, message, tuple(faults))

    def _part(
        self, form: FormSettings, message: Message, site: str, fan: str, t: Any, values: dict[str, Any]
    ) -> list[Message] | Part:
        t_ms = None if t is None else _ms(t)
        odd = t is not None and t_ms is None  # its fault is found by the decoder
        old = t is None and message.retain  # its age is not known: it must not get into a reading of now
        if not form.assemble_seconds or odd or old:
            return [self.made(site, fan, [table_of(t, values)], (message,))]
        return Part(form, site, fan, t, t_ms, values, message)

    def _messages(
        self, site: str, fan: str, tables: list[dict[str, Any]], message: Message, faults: tuple[tuple[str, str], ...]
    ) -> list[Message]:
        if len(tables) <= READINGS_A_MESSAGE:
            return [self.made(site, fan, tables, (message,), faults)]
        # Acknowledged once, with the last of them.
        silent = msgspec.structs.replace(message, qos=0)
        starts = range(0, len(tables), READINGS_A_MESSAGE)
        made = [self.made(site, fan, tables[at : at + READINGS_A_MESSAGE], (silent,)) for at in starts[:-1]]
        return [*made, self.made(site, fan, tables[starts[-1] :], (message,), faults)]


def table_of(t: Any, values: Mapping[str, Any]) -> dict[str, Any]:
    """A plain reading from a time and values by channel."""
    table = joined(values)
    if t is not None:
        table["t"] = t
    return table


def _pattern(topic: str) -> re.Pattern[str]:
    """The topics a form reads; groups `site`, `fan`, `channel` are its named levels."""
    parts = []
    for level in topic.split("/"):
        if level in LEVELS:
            parts.append(f"(?P<{level[1:-1]}>[^/]*)")
        elif level != "#":
            parts.append("[^/]*" if level == "+" else re.escape(level))
    whole = "/".join(parts)
    if topic == "#":
        return re.compile(r".*", re.DOTALL)
    return re.compile(f"{whole}(?:/.*)?" if topic.endswith("/#") else whole, re.DOTALL)


def _channels(form: FormSettings) -> Iterator[str]:
    single = [form.channel, *form.channels.values()]
    yield from ("ambient" if one == "ambient_f" else one for one in single if one is not None)
    for paths, names in ((form.amps, AMPS), (form.volts, VOLTS)):
        yield from names[: len(paths)]
    if form.ambient_c or form.ambient_f:
        yield "ambient"
    if form.called:
        yield "called"


def _document(payload: bytes) -> Any:
    try:
        return _anything(payload)
    except RecursionError:
        raise _FaultError(NOT_JSON, "nested too deeply") from None
    except _UNREADABLE as exc:
        raise _FaultError(NOT_JSON, str(exc)[:200] if payload else "an empty payload") from None


def _list_in(form: FormSettings, document: Any) -> list[Any]:
    """The readings of a payload: the list at the form's path, the list that the payload is, or the payload itself."""
    found = document if form.readings is None else _at(document, form.readings)
    if form.readings is not None and not isinstance(found, list):
        raise _FaultError(NO_READINGS, f"expected a list at {form.readings}, found {_kind(found)}")
    items = found if isinstance(found, list) else [found]
    if not items:
        raise _FaultError(NO_READINGS, "an empty list")
    if len(items) > MAX_READINGS:
        raise _FaultError(TOO_MANY, f"{len(items)} readings, at most {MAX_READINGS} are taken")
    return items


def _one(form: FormSettings, item: Any, channel: str | None) -> tuple[Any, dict[str, Any]]:
    """Time and values by channel of one reading in a payload."""
    values: dict[str, Any] = {}
    if channel is not None:
        assert form.value is not None
        values[channel] = _at(item, form.value)
    else:
        values.update(_lines(form.amps, AMPS, item))
        values.update(_lines(form.volts, VOLTS, item))
        for name, path in (("ambient", form.ambient_c), ("ambient_f", form.ambient_f), ("called", form.called)):
            if path is not None:
                values[name] = _at(item, path)
    values = {name: value for name, value in values.items() if value is not _NONE}
    if not values:
        one = (form.value,) if channel is not None else (form.ambient_c, form.ambient_f, form.called)
        paths = [path for path in (*form.amps, *form.volts, *one) if path is not None]
        raise _FaultError(NO_CHANNEL, f"nothing stands at {', '.join(paths)}")
    t = None
    if form.time is not None:
        t = _at(item, form.time)
        if t is _NONE or t is None:
            raise _FaultError(NO_TIME, f"nothing stands at {form.time}")
        t = _time(form, t)
    return t, _in_our_units(form, values)


def _lines(paths: Sequence[str], names: Sequence[str], item: Any) -> dict[str, Any]:
    """The three legs or lines, or the one; a single path may lead to a list of them."""
    found = [_at(item, path) for path in paths]
    if len(found) == 1 and isinstance(found[0], list):
        found = found[0]
        if len(found) not in (1, 3):
            raise _FaultError(WRONG_LEGS, f"expected 1 or 3 values at {paths[0]}, found {len(found)}")
    return dict(zip(names, found, strict=False))


_NONE: Final = object()
"""Nothing stands there; null is something."""


def _at(item: Any, path: str) -> Any:
    """What stands at a dotted path; `_NONE` where nothing does."""
    for key in path.split("."):
        if isinstance(item, dict):
            item = item.get(key, _NONE)
        elif isinstance(item, list) and key.isdecimal() and len(key) < 6 and int(key) < len(item):
            item = item[int(key)]
        else:
            return _NONE
    return item


def _plain_number(message: Message) -> Any:
    """The number that a payload is."""
    text = message.payload.strip()[:64].decode("utf-8", "replace")
    try:
        value = _anything(text)
    except _UNREADABLE:
        value = text
    if isinstance(value, dict | list):
        raise _FaultError(NO_CHANNEL, f"expected a number, found {_kind(value)}; say where it stands with value")
    if value == "" and not text:
        raise _FaultError(NO_CHANNEL, "expected a number, found an empty payload")
    return value


def _in_our_units(form: FormSettings, values: Mapping[str, Any]) -> dict[str, Any]:
    """Amperes, volts, degrees C; what is no number stays as it is, for the decoder to say so."""
    out: dict[str, Any] = {}
    for name, raw in values.items():
        value = _number(raw)
        if isinstance(value, float) and value in MISSING_CODES:
            value = None
        if isinstance(value, float):
            if name in AMPS:
                value = _times(value, form.amps_factor)
            elif name in VOLTS:
                value = _times(value, form.volts_factor)
            elif name == "ambient_f":
                value = (value - 32.0) / 1.8
            elif name == "called" and value in (0.0, 1.0):
                value = int(value)
        out["ambient" if name == "ambient_f" else name] = value
    return out


def _number(raw: Any) -> Any:
    """A number as float, also from text; None for "no value"; all else so that it can be handed on."""
    if isinstance(raw, str):
        text = raw.strip()
        if text.lower() in _NOTHING:
            return None
        if not _NUMBER.fullmatch(text):
            return raw[:64]
        raw = float(text)
    if isinstance(raw, int | float) and not isinstance(raw, bool):
        try:
            value = float(raw)
        except OverflowError:
            value = math.inf
        return value if math.isfinite(value) else "a number with very many digits"
    return _kind(raw) if isinstance(raw, dict | list) else raw


def _times(value: float, factor: float) -> float | str:
    made = value * factor
    return made if math.isfinite(made) else "a number with very many digits"


def _time(form: FormSettings, raw: Any) -> Any:
    """Unix seconds or RFC 3339 text; what is neither stays as it is, for the decoder to say so."""
    if form.time_format == "rfc3339" or isinstance(raw, bool):
        return raw if isinstance(raw, str | bool) else _number(raw)
    value = _number(raw)
    return value / 1000.0 if form.time_format == "milliseconds" and isinstance(value, float) else value


def _ms(t: Any) -> float | None:
    """A time in ms since 1970; None where it is none."""
    if isinstance(t, str):
        try:
            moment: datetime = msgspec.convert(t, Annotated[datetime, Meta(tz=True)])
        except msgspec.ValidationError:
            return None
        t = moment.timestamp()
    if isinstance(t, bool) or not isinstance(t, int | float):
        return None
    return round(t * 1000.0) if abs(t) < 1e15 else None


def _kind(value: object) -> str:
    if isinstance(value, dict):
        return "an object"
    if isinstance(value, list):
        return "a list"
    return "nothing" if value is _NONE else "null" if value is None else str(value)[:40]
