"""Alembic's entry: runs the revisions in one transaction and puts the guards back. `store.upgrade` calls it."""

from alembic import context
from sqlalchemy.engine import Connection
from sqlmodel import SQLModel

from spoolkeep.store import guards

connection: Connection = context.config.attributes["connection"]
context.configure(
    connection=connection,
    target_metadata=SQLModel.metadata,
    render_as_batch=True,
    transactional_ddl=True,
    compare_type=True,
)
with context.begin_transaction():
    context.run_migrations()
    guards.install(connection)
