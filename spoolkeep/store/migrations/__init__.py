"""The database's history of shapes, for Alembic. `store.upgrade` runs it."""
