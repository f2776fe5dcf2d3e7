"""How the name of a cause is written: with a capital where it stands first in its row or sentence, without one inside.

A name keeps a capital that is part of it, as in `AICc` or `U of the rule`.
"""


def as_first(label: str) -> str:
    """Return a name as the first words of a row or a sentence."""
    return label[:1].upper() + label[1:]


def inside(label: str) -> str:
    """Return a name as it stands inside a sentence."""
    first = label.partition(" ")[0]
    # One capital and then small letters is a word that stood first; anything else is a sign or an abbreviation.
    return label[:1].lower() + label[1:] if first[1:].islower() or first == "A" else label
