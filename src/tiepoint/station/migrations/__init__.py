"""How a ledger's tables came to be what they are, step by step, by alembic; for SQLite and PostgreSQL alike."""
