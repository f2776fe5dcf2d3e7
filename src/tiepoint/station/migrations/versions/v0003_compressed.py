"""Long entries of a file are compressed from here on; those that are there stay as they are, for none is ever changed.

There is nothing to make: a column of SQLite takes bytes beside text. The step has an earlier tiepoint refuse the ledger
in a sentence, where it would call such an entry altered.
"""

revision, down_revision = "3", "2"


def upgrade() -> None:
    """Do nothing."""
