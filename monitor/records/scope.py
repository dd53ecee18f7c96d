"""Whose records a reader may see: every reading function for pages takes it, and none has a default."""

from __future__ import annotations

from collections.abc import Collection
from enum import Enum
from typing import Final, TypeAlias

import sqlalchemy as sa


class _All(Enum):
    ALL = "all sites"


ALL: Final = _All.ALL
"""All sites, and what belongs to none: for the service itself and for whoever looks after the machine."""

Sites: TypeAlias = Collection[str] | _All
"""The sites a reader may see: their names, or ALL."""


def within(column: sa.ColumnElement[str] | sa.ColumnElement[str | None], sites: Sites) -> sa.ColumnElement[bool]:
    """The condition that keeps a query to these sites; with none of them it finds nothing."""
    if isinstance(sites, _All):
        return sa.true()
    if isinstance(sites, str):  # a str is a collection of its letters: always a mistake
        raise TypeError(f"expected a collection of site names, found the text {sites!r}")
    return column.in_(sorted(sites))


def allows(sites: Sites, site: str) -> bool:
    """Whether one site is among them."""
    if isinstance(sites, str):
        raise TypeError(f"expected a collection of site names, found the text {sites!r}")
    return isinstance(sites, _All) or site in sites
