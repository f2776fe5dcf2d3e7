"""One root for every error that a person can cause, and the sentence they get.

A failed measurement is not an error: it is a reading without a value and with a reason
(`tiepoint.foundation.reasons`). An error means that the input cannot be used at all.
"""


class TiepointError(Exception):
    """Root of all errors that are answered with one clear sentence and exit code 2."""


class UnusableInput(TiepointError):
    """An input cannot be used: says what, where, and what to do."""


class UnknownUnit(UnusableInput):
    """A length was typed without a unit, or with one that is not known."""


class UnusableDocument(UnusableInput):
    """A document is of another kind, of a newer version, or does not follow its schema."""


class UnusablePicture(UnusableInput):
    """A file is not a picture, is cut off, is too large, or is of a depth that cannot be read."""


class NothingFound(UnusableInput):
    """A target or a feature that the work rests on was not found; says what was seen instead."""


class PoorGeometry(UnusableInput):
    """Points or views do not determine what was asked of them (collinear, too few, too alike)."""


class MixedSources(TiepointError):
    """Two sources share an id but differ in what they state: an error of the caller."""
