"""Run by Alembic: migrate over the connection that the log has opened and holds."""

from alembic import context

context.configure(connection=context.config.attributes["connection"], transactional_ddl=True)
context.run_migrations()
