"""What is asked for often, taken from the entries: sums by minute and day, and what each record is by which."""

import sqlalchemy as sql
from alembic import op

revision, down_revision = "2", "1"


def upgrade() -> None:
    """Make the tables; they are filled from the entries by who migrates."""
    number = sql.BigInteger().with_variant(sql.Integer, "sqlite")
    op.create_table(
        "sorts",
        sql.Column("id", sql.Integer, primary_key=True, autoincrement=False),
        sql.Column("recipe_sha", sql.String(64), nullable=False),
        sql.Column("variant", sql.Text, nullable=False),
        sql.Column("verdict", sql.String(12), nullable=False),
    )
    op.create_table(
        "judged",
        sql.Column("seq", number, primary_key=True, autoincrement=False),
        sql.Column("sort", sql.Integer, nullable=False),
        sql.Column("written_utc", sql.String(40), nullable=False),
    )
    op.create_index("ix_judged_sort", "judged", ["sort", "seq"])
    op.create_table(
        "sums",
        sql.Column("per", sql.String(6), primary_key=True),
        sql.Column("since", sql.String(16), primary_key=True),
        sql.Column("sort", sql.Integer, primary_key=True, autoincrement=False),
        sql.Column("count", number, nullable=False),
        sql.Column("first", number, nullable=False),
        sql.Column("last", number, nullable=False),
        sqlite_with_rowid=False,
    )
    op.create_table(
        "not_conforming",
        sql.Column("reading", sql.String(200), primary_key=True),
        sql.Column("seq", number, primary_key=True, autoincrement=False),
        sql.Column("verdict", sql.String(12), nullable=False),
        sqlite_with_rowid=False,
    )
