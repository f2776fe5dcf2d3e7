"""Sentences of the rooms that name a command or an option, in the words of the pages: there nobody types one."""

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
    ("; give them with --lights, or state lights in the recipe", "; name them under The recipe itself, as lights"),
)


def on_a_page(says: str) -> str:
    """Return a sentence as a page says it."""
    for command, page in WORDS:
        says = says.replace(command, page)
    return says
