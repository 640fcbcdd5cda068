"""Runs migrations on the connection that the book hands over."""

from alembic import context

from pipemetal.shop.schema import metadata

if hasattr(context, "config"):  # only while a migration runs, not where the module is merely imported
    connection = context.config.attributes["connection"]
    context.configure(connection=connection, target_metadata=metadata, render_as_batch=True)
    context.run_migrations()
