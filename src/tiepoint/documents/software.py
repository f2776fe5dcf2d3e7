"""By what program a document was made."""

from importlib.metadata import version


def software() -> str:
    """Return the program and its version, as in `tiepoint 1.2.0`."""
    return f"tiepoint {version('tiepoint')}"
