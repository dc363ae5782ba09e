"""Runs the migrations on the connection that the store hands over."""

from alembic import context

from standingwatch.store.tables import metadata

context.configure(
    connection=context.config.attributes["connection"],
    target_metadata=metadata,
    transaction_per_migration=False,
)
context.run_migrations()
