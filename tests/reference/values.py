"""Reads the reference values and keeps count of those that were really checked.

A data file is a list of entries {id, source, inputs, values, note}; a value is {name, value, unit, tolerance,
standing}. Standing says how well a value is known:

* published: printed in the source, seen there or in a text that prints it;
* published rule: the rule is printed, its figures were chosen here;
* from memory: of the named source, not seen in this work;
* common practice: what the trade says, without a source;
* constructed: worked by code independent of this program; it tests arithmetic, not truth.

A value with `differs` is known not to hold; it must miss its own tolerance (else the note is out of date) and stay
within the bound given there.
"""

from __future__ import annotations

import json
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

import numpy as np

STANDINGS = ("published", "published rule", "from memory", "common practice", "constructed", "independent code")
DATA = Path(__file__).parent / "data"
NOT_USED = "not_used.json"


def load(name: str) -> list[dict[str, Any]]:
    """The entries of a data file."""
    entries: list[dict[str, Any]] = json.loads((DATA / name).read_text(encoding="utf-8"))
    return entries


def every_entry() -> dict[str, dict[str, Any]]:
    """All entries with values, by id."""
    return {
        entry["id"]: entry for path in sorted(DATA.glob("*.json")) if path.name != NOT_USED for entry in load(path.name)
    }


def numbers(value: Any) -> list[float]:
    """A value and the lists in it as plain numbers."""
    if isinstance(value, Sequence) and not isinstance(value, str):
        return [number for item in value for number in numbers(item)]
    return [float(value)]


@dataclass
class Outcome:
    """What became of one number."""

    source: str
    standing: str
    holds: bool
    differs: bool = False


@dataclass
class Ledger:
    """Every number compared in this session, once each however often it was compared."""

    outcomes: dict[tuple[str, str, int], Outcome] = field(default_factory=dict)
    differing: dict[str, str] = field(default_factory=dict)

    def check(self, entry: Mapping[str, Any], **measured: Any) -> None:
        """Compares what the program says with the values of an entry, by their names; raises AssertionError if one
        misses."""
        wrong: list[str] = []
        for name, ours in measured.items():
            value = next(value for value in entry["values"] if value["name"] == name)
            expected, found = numbers(value["value"]), numbers(np.asarray(ours, dtype=float).tolist())
            assert len(expected) == len(found), f"{entry['id']} {name}: {len(found)} numbers for {len(expected)}"
            differs = value.get("differs")
            for place, (right, mine) in enumerate(zip(expected, found, strict=True)):
                holds = _within(mine, right, value["tolerance"])
                if differs is not None:
                    good = not holds and _within(mine, right, {"abs": differs["abs"]})
                    self.differing[f"{entry['id']} {name}"] = differs["words"]
                else:
                    good = holds
                if not good:
                    wrong.append(f"{name}[{place}]: expected {right} {value['unit']}, the program says {mine}")
                self._note(
                    (entry["id"], name, place), Outcome(entry["source"], value["standing"], good, differs is not None)
                )
        assert not wrong, f"{entry['id']} ({entry['source']}): " + "; ".join(wrong)

    def compare(self, source: str, name: str, ours: Any, theirs: Any, *, rel: float = 0.0, abs: float = 0.0) -> None:
        """Compares with what independent code says of the same thing; every number must agree."""
        mine, right = numbers(np.asarray(ours, dtype=float).tolist()), numbers(np.asarray(theirs, dtype=float).tolist())
        assert len(mine) == len(right)
        holds = all(_within(a, b, {"rel": rel, "abs": abs}) for a, b in zip(mine, right, strict=True))
        # One comparison counts once, however many numbers it has: else a random sweep would drown the printed values.
        self._note((source, name, 0), Outcome(source, "independent code", holds))
        worst = max(zip(mine, right, strict=True), key=lambda pair: np.abs(pair[0] - pair[1]))
        assert holds, f"{source}, {name}: the program says {worst[0]}, independent code {worst[1]}"

    def _note(self, key: tuple[str, str, int], outcome: Outcome) -> None:
        before = self.outcomes.get(key)
        if before is not None and not before.holds:
            return
        self.outcomes[key] = outcome

    def told(self) -> list[Any]:
        """All of it as plain values, for another process."""
        outcomes = [(*key, o.source, o.standing, o.holds, o.differs) for key, o in self.outcomes.items()]
        return [outcomes, list(self.differing.items())]

    def hear(self, told: list[Any]) -> None:
        """Adds what another process checked."""
        for entry, name, place, *outcome in told[0]:
            self._note((entry, name, place), Outcome(*outcome))
        self.differing |= dict(told[1])

    def table(self) -> list[str]:
        """The count, by source, in lines of text."""
        if not self.outcomes:
            return []
        sources = list(dict.fromkeys(outcome.source for outcome in self.outcomes.values()))
        head = ["holds: " + STANDINGS[0], *STANDINGS[1:], "differs, as said", "FAILS"]
        lines = [f"{'source':<72}" + "".join(f"{_short(word):>13}" for word in head)]
        total = np.zeros(len(head), int)
        for source in sorted(sources, key=lambda name: (-self._published(name), name)):
            mine = [outcome for outcome in self.outcomes.values() if outcome.source == source]
            counts = [sum(o.holds and not o.differs and o.standing == word for o in mine) for word in STANDINGS]
            counts += [sum(o.holds and o.differs for o in mine), sum(not o.holds for o in mine)]
            total += counts
            lines += [f"{_cut(source, 72):<72}" + "".join(f"{count or '':>13}" for count in counts)]
        lines.append(f"{'all':<72}" + "".join(f"{count:>13}" for count in total))
        published = sum(outcome.standing == "published" for outcome in self.outcomes.values())
        lines.append(f"{total[0]} of {published} published values checked hold.")
        lines += [f"differs: {name}: {words}" for name, words in sorted(self.differing.items())]
        lines += self._not_used()
        return lines

    def _published(self, source: str) -> int:
        return sum(o.standing == "published" for o in self.outcomes.values() if o.source == source)

    def _not_used(self) -> list[str]:
        lines = []
        unchecked = [
            f"{entry['id']} {value['name']}"
            for entry in every_entry().values()
            for value in entry["values"]
            if (entry["id"], value["name"], 0) not in self.outcomes
        ]
        if unchecked:
            shown = ", ".join(unchecked[:20]) + (" ..." if len(unchecked) > 20 else "")
            lines.append(f"in the data files but not checked in this run ({len(unchecked)}): {shown}")
        for group in load(NOT_USED):
            lines.append(f"not used ({len(group['items'])}): {group['reason']}: {', '.join(_ids(group['items']))}")
        return lines


LEDGER = Ledger()
"""One for the session; the summary is printed from it."""


def _within(mine: float, right: float, tolerance: Mapping[str, float]) -> bool:
    room = tolerance.get("abs", 0.0) + tolerance.get("rel", 0.0) * abs(right)
    return bool(abs(mine - right) <= room * (1.0 + 1e-9))


def _ids(items: Iterable[Mapping[str, str]]) -> list[str]:
    return [item["id"] for item in items]


def _short(word: str) -> str:
    return {
        "holds: published": "published",
        "published rule": "publ. rule",
        "common practice": "trade",
        "independent code": "indep. code",
        "differs, as said": "differs",
    }.get(word, word)


def _cut(text: str, width: int) -> str:
    return text if len(text) < width else text[: width - 4] + "..."
