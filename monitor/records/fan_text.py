"""A nameplate file as text: single keys changed with everything else left as it was typed, and what differs in two.

The register stores what somebody typed, with comments and layout. A form, a re-pitch or a correction changes a few keys
of it; whatever they do not know of (changed conditions, comments, keys of a later version) must survive that.
"""

from __future__ import annotations

import copy
import tomllib
from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any

import tomli_w
import tomlkit
from tomlkit.exceptions import TOMLKitError

Path = tuple[str, ...]
"""Keys from the outside in, e.g. ("motor", "full_load_amps")."""


@dataclass(frozen=True)
class Difference:
    """One key that differs between two files."""

    place: str
    """Dotted path, e.g. `motor.full_load_amps`."""
    before: Any
    """None: it was not there."""
    after: Any
    """None: it is not there any more."""


def edited(text: str, changes: Mapping[Path, Any]) -> str:
    """A file with some keys changed, added, or (with None) taken out; all else stays as typed.

    Parameters
    ----------
    text : TOML that can be read
    changes : path of two keys -> value; a value equal to what stands there leaves its spelling alone

    Raises
    ------
    tomllib.TOMLDecodeError : the text is not TOML

    Examples
    --------
    >>> print(edited("[fan] # east\\nblades = 6\\nblade_pitch_degrees = 21.0 # new\\n",
    ...              {("fan", "blade_pitch_degrees"): 19, ("fan", "blades"): 6}), end="")
    [fan] # east
    blades = 6
    blade_pitch_degrees = 19 # new
    """
    before = tomllib.loads(text)
    wanted = copy.deepcopy(before)
    for path, value in changes.items():
        _set(wanted, path, value)
    if wanted == before:
        return text
    try:
        document = tomlkit.parse(text)
        for path, value in changes.items():
            if _at(before, path) != value:
                _set(document, path, value)
        made = tomlkit.dumps(document)
        if tomllib.loads(made) == wanted:
            return made
    except (TOMLKitError, tomllib.TOMLDecodeError, ValueError, TypeError, AttributeError):
        pass  # rare layouts it cannot change: then better every key kept and the comments lost than the other way round
    return tomli_w.dumps(wanted)


def _at(table: Any, path: Path) -> Any:
    for key in path:
        if not isinstance(table, Mapping) or key not in table:
            return None
        table = table[key]
    return table


def _set(table: Any, path: Path, value: Any) -> None:
    *outer, last = path
    for key in outer:
        if key not in table:
            if value is None:
                return
            table[key] = tomlkit.table() if isinstance(table, tomlkit.TOMLDocument) else {}
        table = table[key]
    if value is not None:
        table[last] = value
    elif last in table:
        del table[last]


def differences(before: str, after: str) -> list[Difference]:
    """What differs in two files, key by key, in the order of the later one; empty where only comments or layout do.

    Raises
    ------
    tomllib.TOMLDecodeError : one of them is not TOML

    Examples
    --------
    >>> differences("[fan]\\nblades = 6", "[fan]\\nblades = 6.0\\nsupply = 'north'")
    [Difference(place='fan.supply', before=None, after='north')]
    """
    old, new = flat(before), flat(after)
    return [
        Difference(place, old.get(place), new.get(place))
        for place in [*new, *(place for place in old if place not in new)]
        if old.get(place) != new.get(place)
    ]


def flat(text: str) -> dict[str, Any]:
    """Dotted path -> value of everything in a file."""
    found: dict[str, Any] = {}

    def walk(table: Mapping[str, Any], before: str) -> None:
        for key, value in table.items():
            if isinstance(value, dict):
                walk(value, f"{before}{key}.")
            else:
                found[f"{before}{key}"] = value

    walk(tomllib.loads(text), "")
    return found
