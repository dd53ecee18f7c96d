"""Slows down whoever tries passwords: so many tries at once for a name and for an address, then one now and then.

Kept in memory, bounded: the names and addresses tried longest ago are forgotten first. A restart forgets all; it takes
longer than the tries it gives back are worth.
"""

from __future__ import annotations

import ipaddress
import math
import threading
from collections import OrderedDict
from dataclasses import dataclass


@dataclass(frozen=True)
class Allowance:
    """So many tries at once, and another each so many seconds."""

    at_once: int
    seconds: float


OF_A_NAME = Allowance(10, 60.0)
"""1,450 tries a day at one name, however many addresses try."""
OF_AN_ADDRESS = Allowance(30, 10.0)
MOST_KEPT = 5_000


class Throttle:
    """Counts the tries."""

    def __init__(self) -> None:
        self._kept: OrderedDict[tuple[str, str], tuple[float, float]] = OrderedDict()
        """(kind, what) -> tries left, and when that was so."""
        self._lock = threading.Lock()

    def take(self, name: str, address: str, now: float) -> int:
        """Takes a try, before anything is worked out; returns 0, or the whole seconds to wait if there is none.

        Parameters
        ----------
        name : as it is compared
        now : seconds of any clock that only goes forward
        """
        with self._lock:
            left = {key: self._left(key, allowance, now) for key, allowance in self._keys(name, address).items()}
            waits = [
                (1.0 - left[key]) * allowance.seconds
                for key, allowance in self._keys(name, address).items()
                if left[key] < 1.0
            ]
            if waits:
                return max(1, math.ceil(max(waits)))
            for key, tries in left.items():
                self._kept[key] = (tries - 1.0, now)
                self._kept.move_to_end(key)
            while len(self._kept) > MOST_KEPT:
                self._kept.popitem(last=False)
        return 0

    def give_back(self, name: str, address: str) -> None:
        """After the right password: that try does not count."""
        with self._lock:
            for key, allowance in self._keys(name, address).items():
                if key in self._kept:
                    tries, at = self._kept[key]
                    self._kept[key] = (min(tries + 1.0, float(allowance.at_once)), at)

    def _keys(self, name: str, address: str) -> dict[tuple[str, str], Allowance]:
        return {("name", name): OF_A_NAME, ("address", _net_of(address)): OF_AN_ADDRESS}

    def _left(self, key: tuple[str, str], allowance: Allowance, now: float) -> float:
        tries, at = self._kept.get(key, (float(allowance.at_once), now))
        return min(float(allowance.at_once), tries + (now - at) / allowance.seconds)


def _net_of(address: str) -> str:
    """An address; of IPv6 its /64, which one household has whole.

    >>> _net_of("2001:db8::7"), _net_of("192.0.2.7"), _net_of("x")
    ('2001:db8::/64', '192.0.2.7', 'x')
    """
    try:
        known = ipaddress.ip_address(address)
    except ValueError:
        return address[:64]
    if known.version == 4:
        return str(known)
    mapped = known.ipv4_mapped
    return str(mapped or ipaddress.ip_network(f"{known}/64", strict=False))
