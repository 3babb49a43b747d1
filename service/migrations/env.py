"""Runs the migrations on the connection that the service opened."""

from alembic import context

import service.log.schema  # noqa: F401  declares the tables
from service.log.columns import METADATA

context.configure(
    connection=context.config.attributes["connection"],
    target_metadata=METADATA,
    render_as_batch=True,
    transaction_per_migration=False,
)
context.run_migrations()
