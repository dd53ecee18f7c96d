"""Runs the revisions on the connection that `monitor.records.database` hands over, inside its transaction."""

from alembic import context

from monitor.records.tables import metadata

context.configure(
    connection=context.config.attributes["connection"],
    target_metadata=metadata,
    # SQLite can roll back DDL once BEGIN is sent by hand, which `database.begin()` does; Alembic assumes it cannot.
    transactional_ddl=True,
)
with context.begin_transaction():
    context.run_migrations()
