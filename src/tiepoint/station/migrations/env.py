"""What alembic runs: the steps go over the connection, and in the transaction, that the ledger hands over."""

from alembic import context

context.configure(connection=context.config.attributes["connection"])
with context.begin_transaction():
    context.run_migrations()
