"""How Alembic brings a book up to date: on the connection that it is given, inside its transaction."""

from alembic import context

from smallgauge.office.models import Row

context.configure(connection=context.config.attributes["connection"], target_metadata=Row.metadata)
context.run_migrations()
