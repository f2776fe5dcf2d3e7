"""The entries, and what keeps them from being changed."""

import sqlalchemy as sql
from alembic import op

revision, down_revision = "1", None

_REFUSAL = "the ledger is only ever added to"
_OF_POSTGRESQL = f"""
CREATE FUNCTION only_ever_added_to() RETURNS trigger LANGUAGE plpgsql AS $$
BEGIN
  RAISE EXCEPTION '{_REFUSAL}';
END $$
"""


def upgrade() -> None:
    """Make the table of entries."""
    op.create_table(
        "entries",
        sql.Column("seq", sql.BigInteger().with_variant(sql.Integer, "sqlite"), primary_key=True, autoincrement=False),
        sql.Column("kind", sql.String(20), nullable=False),
        sql.Column("written_utc", sql.String(40), nullable=False),
        sql.Column("part_id", sql.Text),
        sql.Column("verdict", sql.String(12)),
        sql.Column("sha", sql.String(64), nullable=False, unique=True),
        sql.Column("entry", sql.Text, nullable=False),
    )
    # One after another, as a set of them has no order, and a ledger's file is the same for the same entries.
    for name in ("kind", "part_id"):
        op.create_index(f"ix_entries_{name}", "entries", [name])
    if op.get_bind().dialect.name == "sqlite":
        for what in ("update", "delete"):
            op.execute(
                f"CREATE TRIGGER no_{what} BEFORE {what.upper()} ON entries "
                f"BEGIN SELECT RAISE(ABORT, '{_REFUSAL}'); END"
            )
        return
    op.execute(_OF_POSTGRESQL)
    for what in ("update", "delete", "truncate"):
        op.execute(
            f"CREATE TRIGGER no_{what} BEFORE {what.upper()} ON entries "
            "FOR EACH STATEMENT EXECUTE FUNCTION only_ever_added_to()"
        )
