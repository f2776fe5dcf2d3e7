"""Sentences of the rooms that name a command or an option, in the words of the pages: there nobody types one."""

import re

WORDS = (
    ("Measure it: tiepoint target measure.", "Measure its ruler bars, under Target on the page Tie."),
    (
        "State it (--distance, --u-distance), or give a camera document.",
        "State it with its u as Lens to target on the page Tie, or choose a camera that was found by views.",
    ),
    (
        "give a camera document (tie views), or the distance of the lens from the tie's plane with its u; tie target "
        "and tie move take either, as --camera, or as --distance with --u-distance",
        "on the page Tie press Tie again, and give Lens to target with its u, or a camera that was found by views",
    ),
    ("(tie pairs --from plane --to robot)", "(the page Tie, by pairs, from plane to robot)"),
    (
        "; make it with tiepoint tie, correct tie in the recipe, or give one with --tie",
        "; make it on the page Tie, or name another under The recipe itself",
    ),
    ("; give one with --tie, or state tie in it", "; name one under The recipe itself"),
    ("; give them with --lights, or state lights in the recipe", "; name them under The recipe itself, as Lamps"),
    ("tie by the shot's folder (tiepoint tie target), which does", "take one of the whole sensor, as it lies"),
    ("(tiepoint tie target)", "(by target, on the page Tie)"),
    ("(tiepoint study type1)", "(type1, on the page Prove)"),
    ("(tiepoint hold)", "(Hold as accepted, on the page See)"),
    ("hold it anew with tiepoint hold", "hold it anew on the page See"),
    ("tiepoint hold it anew", "hold it anew on the page See"),
    ("ask tiepoint check, correct what it says, and accept", "correct what it says, and on the page Recipe accept"),
    ("with tiepoint serve", "on its own machine, as the guide Run a station says"),
    ("date that with tiepoint accept --why", "have whoever looks after its folder date that"),
    ("with tiepoint accept", "on the page Recipe"),
    ("with the first tiepoint accept", "once something is accepted on the page Recipe"),
    ("tiepoint teach learns from shots of good parts", "teach it from shots of good parts, in the form of its step"),
    ("tiepoint teach makes it from a shot or a drawing", "teach it from a shot or a drawing, in the form of its step"),
    ("(tiepoint teach)", "(in its form on the page Recipe)"),
    ("that the last report tells: tiepoint verify STATION --head", "that the last report tells"),
    ("and tiepoint sums makes them anew", "and nothing rests on them"),
    (", or by tiepoint sums", ""),
    (
        "let `tiepoint target describe` write the document, which knows",
        "have it written as the guide Print a target says, which tells",
    ),
    ("`tiepoint target describe` writes it", "the guide Print a target says how"),
)
_DESCRIBE = re.compile(r"\(`tiepoint target describe[^`]*`\)")


def on_a_page(says: str) -> str:
    """Return a sentence as a page says it."""
    for command, page in WORDS:
        says = says.replace(command, page)
    return _DESCRIBE.sub("(see the guide Print a target)", says)
