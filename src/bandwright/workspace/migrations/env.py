"""Alembic's entry: migrations run on a connection that the records hand over."""

from alembic import context

from bandwright.workspace.tables import METADATA

connection = context.config.attributes["connection"]
context.configure(connection=connection, target_metadata=METADATA, render_as_batch=True)
with context.begin_transaction():
    context.run_migrations()
