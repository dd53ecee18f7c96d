"""Opens the database, brings its form up to date and gives out transactions.

Everything that is special to SQLite stands in this file; the rest of the room is plain SQLAlchemy Core.
"""

from __future__ import annotations

import sqlite3
from collections.abc import Iterator, Mapping, Sequence
from contextlib import contextmanager
from dataclasses import dataclass
from functools import lru_cache
from pathlib import Path
from typing import TYPE_CHECKING, Any

import sqlalchemy as sa
from sqlalchemy.dialects import sqlite
from sqlalchemy.engine import URL, Connection, Engine, make_url

from monitor.errors import ConfigError, LinkError

if TYPE_CHECKING:
    from alembic.config import Config

BUSY_SECONDS = 10.0
"""How long a writer waits for another one before it is told that the database is busy."""
CACHE_KIB = 8192
"""Page cache of each SQLite connection."""
PAGE_BYTES = 1024
"""Of a new database: a commit of five readings writes a page or two of each table it touches, so small ones wear a disk
less (measured: `tests/bench/disk.py`). One made with other pages keeps them."""
CHECKPOINT_PAGES = 8192
"""The write-ahead log is folded into the file when it holds so many pages: what is written over each second goes there
once in a long while."""

_MIGRATIONS = Path(__file__).with_name("migrations")

# Primary result codes of SQLite (sqlite.org/rescode.html) that tell of the world outside, not of a fault of ours.
_PASSING = {
    sqlite3.SQLITE_BUSY: "is busy: another program holds it",
    sqlite3.SQLITE_LOCKED: "is busy: another program holds it",
    sqlite3.SQLITE_PROTOCOL: "is busy: another program holds it",
    sqlite3.SQLITE_FULL: "cannot grow: the disk is full. Make room on it",
    sqlite3.SQLITE_IOERR: "cannot be read or written: the disk reports an error. Check the disk",
    sqlite3.SQLITE_CANTOPEN: "cannot be opened. Check that its directory is there and may be written",
    sqlite3.SQLITE_NOMEM: "cannot be used: the machine is out of memory",
}
_STANDING = {
    sqlite3.SQLITE_READONLY: "may not be written. Give the service's user the right to write it and its directory",
    sqlite3.SQLITE_PERM: "may not be opened. Give the service's user the right to it",
    sqlite3.SQLITE_AUTH: "may not be opened. Give the service's user the right to it",
    sqlite3.SQLITE_CORRUPT: "is damaged. Stop the service and restore the last backup",
    sqlite3.SQLITE_NOTADB: "is not a database file. Give another address, or restore the last backup",
}


class Database:
    """An open database: one pool of connections, a transaction at a time from it."""

    def __init__(self, engine: Engine, shown: str) -> None:
        self.engine = engine
        self.shown = shown
        """Its address as people may see it, without a password."""

    @contextmanager
    def begin(self) -> Iterator[Connection]:
        """A transaction that writes: committed at the end, rolled back when anything is raised.

        Raises
        ------
        LinkError : the database is busy, full, gone (try again), or may not be written or is damaged (permanent)
        """
        with self._told(), self.engine.connect() as connection:
            connection = connection.execution_options(writes=True)
            with connection.begin():
                yield connection

    @contextmanager
    def read(self) -> Iterator[Connection]:
        """A transaction that only reads: one unchanging picture of the whole database. Keep it under a second.

        Raises
        ------
        LinkError : as `begin`
        """
        with self._told(), self.engine.connect() as connection, connection.begin() as transaction:
            yield connection
            transaction.rollback()

    def close(self) -> None:
        """Closes all connections; SQLite then folds its write-ahead log into the file."""
        self.engine.dispose()

    @contextmanager
    def _told(self) -> Iterator[None]:
        """Translates errors of the outside world, and only those: a wrong statement of ours stays loud."""
        try:
            yield
        except sa.exc.DBAPIError as exc:
            error = _outside(exc, self.shown)
            if error is None:
                raise
            raise error from exc
        except sa.exc.TimeoutError as exc:
            raise LinkError(f"the database {self.shown} has no free connection. Try again.") from exc


def _outside(exc: sa.exc.DBAPIError, shown: str) -> LinkError | None:
    code = getattr(exc.orig, "sqlite_errorcode", None)
    if code is None:
        if isinstance(exc.orig, sqlite3.Error):
            return None
        gone = exc.connection_invalidated or isinstance(exc, sa.exc.OperationalError | sa.exc.InterfaceError)
        return LinkError(f"the database {shown} does not answer: {exc.orig}") if gone else None
    primary = code & 0xFF
    if primary in _PASSING:
        return LinkError(f"the database {shown} {_PASSING[primary]} ({exc.orig}).")
    if primary in _STANDING:
        return LinkError(f"the database {shown} {_STANDING[primary]} ({exc.orig}).", permanent=True)
    return None


@dataclass(frozen=True)
class Space:
    """How much room the file of a database takes."""

    file: Path
    used_bytes: int
    """In pages that hold something ..."""
    reusable_bytes: int
    """... and in pages set free, which the next rows take before the file grows."""


def space(database: Database) -> Space | None:
    """Its file and what is in it; None for a database that is no file of ours.

    Raises
    ------
    LinkError : the database cannot be read
    """
    if database.engine.url.get_backend_name() != "sqlite":
        return None
    with database.read() as connection:
        size, pages, free = (
            int(connection.exec_driver_sql(f"PRAGMA {what}").scalar_one())
            for what in ("page_size", "page_count", "freelist_count")
        )
    return Space(Path(database.engine.url.database or ""), size * (pages - free), size * free)


def open_database(url: str, *, create: bool = True) -> Database:
    """Opens a database and brings its tables to the form this version needs, in one transaction.

    Parameters
    ----------
    url : `sqlite:///relative.db`, `sqlite:////absolute.db` or another SQLAlchemy address
    create : make the file (and its directory) when it is not there

    Raises
    ------
    ConfigError : the address cannot be used, the file is not there and `create` is false, or its form is newer than
        this program
    LinkError : the database cannot be reached, is busy or full
    """
    address = _address(url)
    if address.get_backend_name() == "sqlite":
        _prepare_file(address, create)
        engine = _sqlite_engine(address)
    else:
        engine = sa.create_engine(address, pool_pre_ping=True)
    database = Database(engine, address.render_as_string(hide_password=True))
    try:
        migrate(database)
    except BaseException:
        database.close()
        raise
    return database


def _address(url: str) -> URL:
    shown = f"{url.partition(':')[0]}:..."  # what follows may hold a password
    try:
        address = make_url(url)
        shown = address.render_as_string(hide_password=True)
        address.get_dialect().import_dbapi()
    except (sa.exc.ArgumentError, sa.exc.NoSuchModuleError, ImportError) as exc:
        raise ConfigError(
            f'the database address "{shown}" cannot be used: {exc}. Give one such as sqlite:///monitor.db'
        ) from exc
    return address


def _prepare_file(address: URL, create: bool) -> None:
    if not address.database or address.database == ":memory:":
        raise ConfigError("a database in memory would lose every reading: give a file, such as sqlite:///monitor.db")
    path = Path(address.database)
    if not create and not path.exists():
        raise ConfigError(f"there is no database at {path}: check the address, or start the service once to make it")
    try:
        path.parent.mkdir(parents=True, exist_ok=True)
    except OSError as exc:
        raise ConfigError(f"cannot make the directory {path.parent} of the database: {exc.strerror}") from exc


def _sqlite_engine(address: URL) -> Engine:
    engine = sa.create_engine(address, connect_args={"timeout": BUSY_SECONDS}, pool_size=8, max_overflow=8)

    @sa.event.listens_for(engine, "connect")
    def prepare(connection: Any, record: Any) -> None:
        # BEGIN is sent below and nowhere else: left to itself the driver leaves DDL and reads outside of transactions.
        connection.isolation_level = None
        for pragma in (
            f"page_size = {PAGE_BYTES}",
            "journal_mode = WAL",  # readers never wait for the writer
            "synchronous = FULL",  # what is acknowledged to the broker survives a power cut
            "foreign_keys = ON",
            f"wal_autocheckpoint = {CHECKPOINT_PAGES}",
            "secure_delete = OFF",  # Debian's SQLite would write each page that packing sets free once more, as zeros
            f"busy_timeout = {int(1000 * BUSY_SECONDS)}",
            f"cache_size = -{CACHE_KIB}",
            "temp_store = MEMORY",
        ):
            connection.execute(f"PRAGMA {pragma}").close()

    @sa.event.listens_for(engine, "begin")
    def begin(connection: Connection) -> None:
        # IMMEDIATE takes the write lock at once: a transaction that read first and then writes could otherwise be
        # refused in its middle, without waiting.
        writes = connection.get_execution_options().get("writes", False)
        connection.exec_driver_sql("BEGIN IMMEDIATE" if writes else "BEGIN")

    return engine


# --- the form of the tables ------------------------------------------------------------------------------------


# Alembic is imported only where there is something to do: it takes 12 MB and a third of a second, at every start.


def _config(connection: Connection | None = None) -> Config:
    from alembic.config import Config

    config = Config()
    config.set_main_option("script_location", str(_MIGRATIONS).replace("%", "%%"))
    config.attributes["connection"] = connection
    return config


def migrate(database: Database, revision: str = "head") -> None:
    """Brings the tables to a revision, all steps in one transaction: on any error the database stays as it was.

    Raises
    ------
    ConfigError : the database was written by a newer version of this program
    """
    if revision == "head" and form(database) == _newest_form():
        return
    from alembic import command
    from alembic.runtime.migration import MigrationContext
    from alembic.script import ScriptDirectory

    scripts = ScriptDirectory.from_config(_config())
    known = {script.revision for script in scripts.walk_revisions()}
    with database.begin() as connection:
        # Looked at again: another process may have done it while this one waited for the lock.
        present = set(MigrationContext.configure(connection).get_current_heads())
        newer = present - known
        if newer:
            raise ConfigError(
                f"the database {database.shown} was written by a newer version of this program (its form is "
                f"{', '.join(sorted(newer))}, this version knows up to {', '.join(scripts.get_heads())}). "
                "Install that version again, or give another database."
            )
        command.upgrade(_config(connection), revision)


def form(database: Database) -> str:
    """The revision of the tables, e.g. `0001`; empty for a database without any."""
    with database.read() as connection:
        if not sa.inspect(connection).has_table("alembic_version"):
            return ""
        found = connection.execute(sa.text("SELECT version_num FROM alembic_version ORDER BY version_num")).scalars()
        return ", ".join(found)


def _newest_form() -> str:
    """The last revision that ships with this version, by the name of its file."""
    return max(path.name.partition("_")[0] for path in (_MIGRATIONS / "versions").glob("[0-9]*_*.py"))


# --- insert and replace -----------------------------------------------------------------------------------------


def upsert(
    connection: Connection,
    table: sa.Table,
    rows: Sequence[Mapping[str, Any]],
    *,
    add: Sequence[str] = (),
    keep: Sequence[str] = (),
    fill: Sequence[str] = (),
) -> None:
    """Inserts rows; where the primary key is taken the other columns are written over.

    Parameters
    ----------
    add : columns whose new value is added to the stored one
    keep : columns that stay as they are in a row that is there already
    fill : columns that stay as they are where the new value is NULL
    """
    if not rows:
        return
    statement = _upsert(connection.dialect.name, table, tuple(rows[0]), tuple(add), tuple(keep), tuple(fill))
    connection.execute(statement, list(rows))


@lru_cache(maxsize=128)
def _upsert(
    dialect: str, table: sa.Table, given: tuple[str, ...], add: tuple[str, ...], keep: tuple[str, ...],
    fill: tuple[str, ...],
) -> sa.Insert:  # fmt: skip
    """The statement of `upsert`. Kept: each commit needs the same few, and making one takes longer than running it."""
    insert: Any = sqlite.insert(table)
    if dialect == "postgresql":
        from sqlalchemy.dialects import postgresql  # two megabytes that few need

        insert = postgresql.insert(table)
    keys = [column.name for column in table.primary_key.columns]
    changed: dict[str, Any] = {name: insert.excluded[name] for name in given if name not in (*keys, *keep)}
    changed |= {name: table.c[name] + insert.excluded[name] for name in add}
    changed |= {name: sa.func.coalesce(insert.excluded[name], table.c[name]) for name in fill}
    statement: sa.Insert = insert.on_conflict_do_update(index_elements=keys, set_=changed)
    return statement


def insert_many(
    connection: Connection, table: sa.Table, names: Sequence[str], values: Sequence[tuple[Any, ...]]
) -> None:
    """Inserts one row for each tuple of values.

    One prepared statement and plain tuples, where the driver takes them: twice as fast as a dictionary for each row.

    Parameters
    ----------
    names : the columns that the values are of, in their order
    values : as the database keeps them: of a `Scaled` column whole steps
    """
    given = [f"given_{name}" for name in names]
    kept = (getattr(table.c[name].type, "impl_instance", table.c[name].type) for name in names)
    bound = {name: sa.bindparam(key, type_=kind) for name, key, kind in zip(names, given, kept, strict=True)}
    statement = sa.insert(table).values(bound)
    if not connection.dialect.positional:
        connection.execute(statement, [dict(zip(given, row, strict=True)) for row in values])
        return
    compiled = statement.compile(dialect=connection.dialect)
    order = [given.index(name) for name in compiled.positiontup or ()]
    if order != list(range(len(names))):
        values = [tuple(row[place] for place in order) for row in values]
    connection.exec_driver_sql(str(compiled), list(values))


def inserted_id(result: sa.CursorResult[Any]) -> int:
    """The number that the database gave to the one row just inserted."""
    key = result.inserted_primary_key
    if key is None:
        raise ValueError("no single row was inserted")
    return int(key[0])
