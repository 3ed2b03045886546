"""Runs the migrations on the connection that ``app.store.database`` hands over; there is no offline mode."""

from alembic import context

from app.store.models import Base

connection = context.config.attributes["connection"]
context.configure(
    connection=connection,
    target_metadata=Base.metadata,
    render_as_batch=True,
    compare_type=True,
)
context.run_migrations()
