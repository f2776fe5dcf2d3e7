"""The one registry of reasons (why there is no value, or no pass) and of flags (what to know about a value).

A reason is data: a code and its parameters, so that a program can act on it; `Reason.sentence` is what
a person reads. A test holds that every code used in the project is registered here.
"""

from collections.abc import Iterable, Mapping
from dataclasses import dataclass, field

REASONS: dict[str, str] = {
    "content_differs": "What was read is not what is expected.",
    "content_faulty": "What was read is not well made: {detail}.",
    "content_lacks": "What was read has no field {field}, or several.",
    "doubtful": "Its ± may not hold ({says}), so it cannot be said to conform.",
    "few_edges": "Only {found} of {sought} places showed an edge; at least {needed} are needed.",
    "few_patches": "{found} patches count, and number {asked} by size is asked for.",
    "few_pixels": "Only {found} pixels can be looked at; at least {needed} are needed.",
    "good_not_taught": "No good picture was taught yet: tiepoint teach learns from shots of good parts.",
    "grip_doubtful": "The part's place may not hold ({says}), so it is not gripped.",
    "lamp_dark": "The picture under the lamp {light} is black where others are not: see whether that lamp fires.",
    "lamp_saturated": (
        "The picture under the lamp {light} is saturated on {share_percent} % of its pixels: shorten its exposure."
    ),
    "level_beyond": "The level {level} is at the end of what the picture can show: no patch could stand out from it.",
    "light_differs": "The picture is {gain} times as bright as the good ones: that is another light, and no part.",
    "linear_law_fails": "The result is too uncertain for its formula: no interval can be stated.",
    "many_blemishes": "{found} places differ from good parts, more than {most}: it is another part, or another light.",
    "many_patches": "{found} patches stand out, more than {most}: choose another level or a least area.",
    "mark_budget": "The budget was spent after {tried} preparations, and none gave a sound reading.",
    "mark_cut": "A mark, or what looks like one, reaches beyond the border of the {border}.",
    "mark_damaged": "A mark was found ({kind}), and more of it is damaged than its error correction can repair.",
    "mark_faint": "The region shows hardly any contrast: {levels} of 255 grey levels.",
    "mark_not_seen": "No mark is seen in the region.",
    "mark_other_kind": "A mark of another kind is seen: {found}, where {sought} is asked for.",
    "mark_small": "The mark is too small in the picture: {cell_px} px a cell; at least {least} are needed.",
    "mark_unsure": "A mark was read once ({kind}), and nothing bears the reading out: it is not believed.",
    "marks_differ": "Two readings of the mark differ, so neither is believed.",
    "marks_several": "{count} marks are in the region where one is expected.",
    "moved": "The part lies {shift_px} px from where its frame says; at most {most_px} px are allowed.",
    "need_not_met": "The grip needs what the part does not show: {detail}.",
    "no_bead": "No bead stands out of the noise along the path, or none that is long enough to measure.",
    "no_blemish": "No blemish was found, and so it has no place.",
    "no_cells": "This kind of mark has no cells that could be looked at one by one.",
    "no_channel": "The picture {picture} has no colour, and the step looks at its channel {channel}.",
    "no_colour": "The picture has no colour.",
    "no_correction": "This kind of mark has no error correction, or its reader does not say how much was used.",
    "no_count": "The part is on a belt, and the shot does not say at which count it was taken.",
    "no_direction": "Its elongation of {elongation} is too small to have a certain direction.",
    "no_edge": "No edge with the asked polarity stands out from the noise in the region.",
    "no_flange": "The camera rides on the robot, and the shot does not say where the flange was.",
    "no_gap": "There is no gap, so there is no place where the first one begins.",
    "no_hue": "The colour is grey within its uncertainty: it has no certain hue.",
    "no_intersection": "The two lines are parallel within their uncertainty: they have no certain crossing.",
    "no_light": "{share_percent} % of the pixels that matter have no light in some channel.",
    "no_part_id": "The shot does not say which part it shows, and the mark is to be compared with that.",
    "no_picture": "The shot has no picture {picture}: see the roles and lights of its pictures, and the spelling.",
    "no_two_levels": "The region does not show two levels that noise tells apart: an automatic level needs both.",
    "not_a_number": "The measurement did not converge.",
    "not_aligned": "The picture cannot be brought into line with the good ones: it shows something else, or lies "
    "farther off than it is sought.",
    "not_parallel": "The two lines differ by {angle_deg}°: they have no one distance.",
    "not_taught": "The shape was not taught yet: tiepoint teach makes it from a shot or a drawing.",
    "outside_envelope": "The grip would leave the robot's envelope: {detail}.",
    "outside_picture": "The region leaves the picture.",
    "outside_tie": "The place lies outside the region in which the tie is valid.",
    "part_moved": "The part moved by about {shift_px} px between the pictures of the shot, or turned, or shines; "
    "or the pictures do not stand in the order of their lamps.",
    "patch_thin": "The patch is not thicker than four blurs of its edge: however thin it is, it looks alike.",
    "path_hidden": "The mask covers the whole path.",
    "path_not_judged": "From {start} on, {percent} % of the path shows neither a bead nor bare ground for certain.",
    "path_short": "Only {found} px of the path can be looked at; a bead is told from its ground by {needed} at least.",
    "path_turns_back": "The path turns back on itself within the width of its band.",
    "pictures_same": "The pictures under the lamps {first} and {second} are one and the same: it came twice.",
    "relief_refused": "No relief can be computed from the shot: {detail}.",
    "saturated": "{share_percent} % of the pixels that matter are saturated.",
    "shape_not_found": "The shape was not found: at best {percent} % of its outline was seen, {least} % are asked for.",
    "shot_late": "The part was not judged within {deadline_ms} ms.",
    "shot_no_recipe": "No recipe is accepted for {variant}: accept one, or correct what says the variant.",
    "shot_not_complete": "The shot is {status}: only complete shots are judged.",
    "shot_not_judged": "The part was not judged: {detail}.",
    "shot_not_released": "The station is not released: {detail}.",
    "shot_too_many": "More parts came than could be judged: {waiting} were waiting.",
    "shot_unreadable": "The shot cannot be read: {detail}.",
    "step_broke": "The step could not be carried out: {detail}.",
    "step_failed": "The step it rests on, {step}, gave no value.",
    "taught_otherwise": "Its region, its mask or levelled is not as it was taught: teach it again.",
    "text_alike": (
        "What was read, {text}, differs from what is expected only in characters that look alike: state in a "
        "form or in characters which may occur."
    ),
    "text_long": (
        "The region is {times} times as long as it is high, and at most {most} can be read as a line: make it as high "
        "as the line, and no longer."
    ),
    "text_not_built_so": "What was read, {text}, is not built as the form has it.",
    "text_not_seen": "No text is seen in the region.",
    "text_strange": "What was read, {text}, holds characters that cannot occur: {characters}.",
    "text_unsure": (
        "What was read, {text}, is not sure: the least sure character has a score of {score}, and {least} is asked for."
    ),
    "tie_refused": "The tie does not fit the shot: {detail}.",
    "too_dark": (
        "{share_percent} % of the pixels are dark under all lamps or all but two: see whether the lamps fire, or "
        "lengthen the exposure."
    ),
    "too_old": "The shot is {age_s} s old; at most {most_s} s are allowed.",
    "white_unusable": "The white that colours are told by cannot be used: {detail}.",
}


@dataclass(frozen=True, slots=True)
class Flag:
    """What to know about a value: a `sentence`, and `short`, the same in a few words for a row of a table.

    `forbids`: the stated ± may not hold, so a reading with this flag never conforms. The rule (decision 0009): a flag
    forbids where what was seen contradicts what the ± assumes, or where the ± was never said to hold. It does not where
    the ± already carries what the flag tells, or where a check is merely missing. `why` says which of these it is.
    """

    sentence: str
    short: str
    forbids: bool
    why: str


FLAGS: dict[str, Flag] = {
    "angle_ambiguous": Flag(
        "What tells some angles of the shape apart was not seen: it may lie turned by one of them.",
        "angle ambiguous",
        True,
        "A pose that may be turned by half a turn is not the pose whose ± is stated.",
    ),
    "arc_short": Flag(
        "The arc spans less than 90°: centre and radius lean on each other.",
        "short arc",
        False,
        "The fit's covariance carries it: the ± is wide for this reason.",
    ),
    "bad_views": Flag(
        "Some views do not belong to the camera of the others and were left out.",
        "bad views left out",
        False,
        "The camera rests on the views that agree.",
    ),
    "bead_narrow": Flag(
        "The bead is so narrow for the blur of its edges that it may as well be wider and lower, or a dome: its width "
        "is not certain.",
        "bead narrow for its blur",
        True,
        "Edges lie at a share of a height that was never seen, and the profile does not tell it.",
    ),
    "blurred": Flag(
        "The edges are blurred over more than 3 px: out of focus, or moved during the exposure.",
        "blurred",
        False,
        "Blur is fitted with each edge, and one that is alike on both sides of an edge moves none.",
    ),
    "camera_colour": Flag(
        "A camera is no colorimeter: this is the colour that this camera shows under this light.",
        "the camera's own colour",
        False,
        "The ± is that of the camera's own colour; it is not said to hold for another camera or an instrument.",
    ),
    "camera_differs": Flag(
        "The photo does not fit the lens of the camera document: refocused, or another lens.",
        "another lens than the camera document's",
        True,
        "The ± takes that lens for granted, and the photo contradicts it.",
    ),
    "clipped": Flag(
        "The region is cut by the border of the picture.",
        "cut by the picture's border",
        False,
        "What was measured has its own ±; nothing speaks against it.",
    ),
    "content_faulty": Flag(
        "The text of the mark is not well made: a check digit is wrong, or the end of its message is missing.",
        "text not well made",
        True,
        "What breaks the rules of its own message was not written, or not read, as it was meant.",
    ),
    "count_not_sure": Flag(
        "Noise could change the count: a patch is close to the level or to a limit of size, or touches another almost.",
        "count not sure",
        True,
        "A count states no ±, and another picture of the same part may give another one.",
    ),
    "edge_differs_by_side": Flag(
        "Edges look different on different sides: a bevel or burr catches the light and shifts them by more than the "
        "recipe's edge definition may say.",
        "edges differ by their side",
        True,
        "The ± takes one edge definition for all sides, and the picture contradicts it.",
    ),
    "edges_computed": Flag(
        "The edges were seen in a computed picture, which need not draw them where the part has them: name an edge "
        "definition that says how far they may lie apart.",
        "edges of a computed picture",
        True,
        "The ± is that of the edges as they were drawn: slopes, curvature and relief move the foot of what is raised.",
    ),
    "extrapolated": Flag(
        "The place lies outside the tie's valid region.",
        "outside the tie's region",
        True,
        "The ± was shown to hold inside that region only.",
    ),
    "few_corners": Flag(
        "Few corners of the target were seen: its intervals are wide, and little is left to check them by.",
        "few corners",
        False,
        "Student's t carries it; a check is missing, but nothing speaks against the ±.",
    ),
    "few_good": Flag(
        "Fewer than six good pictures were taught: how good parts differ is not known, and a floor stands in for it.",
        "few good pictures",
        False,
        "The tolerance is a stated one; how often a good part goes beyond it was not seen.",
    ),
    "few_points": Flag(
        "Few edge points: the interval is widened by Student's t.",
        "few points",
        False,
        "Student's t carries it.",
    ),
    "find_not_sure": Flag(
        "Another place or turn fits the shape almost as well: what was found may be the wrong one.",
        "find not sure",
        True,
        "The ± is that of the part that was meant, and this may be another.",
    ),
    "form_error": Flag(
        "The edge departs from its ideal form by more than its noise and its tie explain.",
        "form error",
        False,
        "The ± is made of the points' own scatter about the form, so it carries it.",
    ),
    "glints_left_out": Flag(
        "Saturated pixels were left out: the colour is that of the others.",
        "glints left out",
        False,
        "They are less than a hundredth of the region, and the ± is that of the pixels that are left.",
    ),
    "glossy": Flag(
        "The surface shines: lamps were left out for their highlights, or disagree all over, and slopes are less sure.",
        "glossy surface",
        False,
        "What is measured in a relief picture has the ± of its own edges; the confidence map tells where it is weak.",
    ),
    "half_turn_unknown": Flag(
        "The target has no mark at its origin: whether it lies turned by half a turn cannot be told.",
        "half a turn unknown",
        False,
        "Lengths do not depend on it; a recipe's regions are empty where the turn was taken wrongly.",
    ),
    "hand_placed": Flag(
        "A point was placed by hand, with no edge or corner under it to hold it.",
        "placed by hand",
        False,
        "The ± carries how well a hand places a point.",
    ),
    "height_not_stated": Flag(
        "The height of the measured edges was not stated: they are taken to lie exactly in the tie's plane. "
        "State height and u_height in the recipe.",
        "height not stated",
        True,
        "The ± takes for granted that the edges lie in the tie's plane, which nobody has said: seen from 500 mm away, "
        "1 mm of height is 0.2 % of every length.",
    ),
    "lamp_differs": Flag(
        "The pictures of the shot agree as if a lamp shone otherwise than the lights say: slopes are off by its share.",
        "a lamp differs",
        False,
        "What is measured in a relief picture has the ± of its own edges; a shot of the flat plate names the lamp.",
    ),
    "lens_assumed": Flag(
        "Lens distortion was not measured: a bound for it was assumed.",
        "lens assumed",
        False,
        "The ± carries the bound.",
    ),
    "levelled": Flag(
        "One gain and one offset of the grey levels were taken out before comparing.",
        "levels taken out",
        False,
        "The recipe asks for it; what is judged is the part without its lamp.",
    ),
    "linear_law_doubtful": Flag(
        "The formula bends within the uncertainty: the stated interval is only rough.",
        "rough interval",
        True,
        "The ± is only rough.",
    ),
    "low_contrast": Flag(
        "The contrast is below ten times the noise.",
        "low contrast",
        False,
        "The ± grows with the noise as it must, and an edge six deviations high is no accident.",
    ),
    "more_than_one_edge": Flag(
        "More than one edge stands in the region; make sure that the right one was taken.",
        "more than one edge",
        True,
        "The ± is that of the edge which was taken; another may be the one that is meant.",
    ),
    "no_redundancy": Flag(
        "No more points than the model needs: an error in one of them shows nowhere.",
        "no redundancy",
        False,
        "The ± is that of the stated points; a check is missing, but nothing speaks against it.",
    ),
    "order_doubtful": Flag(
        "No surface has these slopes; with the pictures in another order one has: see that each has its lamp's name.",
        "order of the pictures",
        True,
        "Under exchanged lamps relief is turned or mirrored, and what is found in it is not what is there.",
    ),
    "outliers": Flag(
        "More than 15 % of the points were left out as outliers.",
        "many points left out",
        True,
        "What disturbs so many points may pull the others too: errors of 1.4 to 3 times u were seen.",
    ),
    "page_bowed": Flag(
        "The page is bowed more than was stated: lay it flat, or state how flat it is.",
        "bowed page",
        True,
        "The ± takes the stated flatness for granted, and the photo contradicts it.",
    ),
    "pairs_scattered": Flag(
        "The pairs agree poorly with one another: one of them may be wrong.",
        "pairs agree poorly",
        True,
        "The ± takes every pair for right, and their scatter contradicts it.",
    ),
    "pairs_suspect": Flag(
        "The pairs hold what looks like a typing error.",
        "typing error in the pairs",
        True,
        "The ± takes every pair for right, and one looks wrong.",
    ),
    "partly_seen": Flag(
        "Less than nine tenths of the target were measured; what lies beyond rests on fewer points.",
        "target partly seen",
        False,
        "The ± of the fit grows where fewer points hold it.",
    ),
    "patch_cut": Flag(
        "A patch is cut by the region or its mask: what lies beyond is not in its size.",
        "patch cut",
        True,
        "The ± is that of what was seen of the patch.",
    ),
    "patch_order": Flag(
        "Another patch is as large within the ±: which comes first by size is not certain.",
        "order of size not sure",
        True,
        "The ± is that of the patch which was taken; another may be the one that is meant.",
    ),
    "patch_vague": Flag(
        "A patch is too small or too blurred to show a level of its own: its outline may be drawn too far in or out.",
        "vague outline",
        False,
        "The ± carries how far the level of its outline may be off.",
    ),
    "path_masked": Flag(
        "Parts of the path are masked: nothing is said of them, and a gap beside one may go on below it.",
        "path partly masked",
        False,
        "What is masked was left out by whoever wrote the recipe; the ± is that of the rest.",
    ),
    "photos_disagree": Flag(
        "The photos of one pose differ by more than their noise: something moves, or the light does.",
        "photos disagree",
        True,
        "The ± takes the pose for one, and the photos contradict it.",
    ),
    "pictures_shifted": Flag(
        "The part moved between the pictures under the lamps; they were laid upon one another.",
        "pictures laid upon one another",
        False,
        "The shift was found to a tenth of a pixel or better, and what it leaves shows in the confidence map.",
    ),
    "poses_left_out": Flag(
        "Some poses of the hand-eye do not fit the others and were left out.",
        "poses left out",
        False,
        "The hand-eye rests on the poses that agree.",
    ),
    "print_not_measured": Flag(
        "The print was not measured: ± takes it as printed at 100 %, and a page made to fit is 3 to 6 % off. "
        "Measure it: tiepoint target measure.",
        "print not measured",
        True,
        "The ± takes for granted that the page was not made to fit, which nothing has shown.",
    ),
    "read_as_alike": Flag(
        "A character was taken for one that looks alike, because only that one may stand in its place.",
        "look-alikes told apart by place",
        False,
        "What may stand in a place was stated, and the character that was read looks like it alone.",
    ),
    "read_once": Flag(
        "Only one of the two readers read the mark; its own error correction bears it out.",
        "one reader",
        False,
        "Error correction accepts a wrong word less than once in a million; a second reader is a further check.",
    ),
    "saturated": Flag(
        "Some pixels that matter are saturated.",
        "saturated",
        True,
        "A cut-off bright side moves the edge towards the dark one, and the ± does not know by how much.",
    ),
    "size_differs": Flag(
        "The part is larger or smaller than the one that was taught, by more than its ± and u_scale explain: another "
        "variant, another height than stated, or another tie. The find's reading scale says by how much.",
        "another size than taught",
        True,
        "Lengths take height and tie for granted, and the seen size contradicts them; or it is another part.",
    ),
    "tie_model_poor": Flag(
        "The tie's lens model leaves more over than noise explains.",
        "poor tie",
        True,
        "What is left over is in the ± only as far as the seen points show it.",
    ),
    "tilt_assumed": Flag(
        "The camera's tilt was not measured: a bound for it was assumed.",
        "tilt assumed",
        False,
        "The ± carries the bound.",
    ),
    "white_not_stated": Flag(
        "No white is stated: a lamp or an exposure that has changed reads as another colour.",
        "no white stated",
        True,
        "The ± holds what scatters within the picture; how the light has changed since a colour or a limit was set is "
        "neither seen nor in it, and numbers do not say under which light they were taken.",
    ),
}


def forbidding(flags: Iterable[str]) -> tuple[str, ...]:
    """Return those of the flags with which no reading conforms, each once."""
    return tuple(dict.fromkeys([code for code in flags if FLAGS[code].forbids]))


def in_short(flags: Iterable[str]) -> str:
    """Return flags in a few words each, as in `few points, low contrast`."""
    return ", ".join(FLAGS[code].short for code in dict.fromkeys(flags))


@dataclass(frozen=True, slots=True)
class Reason:
    """Why there is no value: a registered code with its parameters."""

    code: str
    params: Mapping[str, str | int | float] = field(default_factory=dict)

    def __post_init__(self) -> None:
        if self.code not in REASONS:
            raise KeyError(f"reason {self.code!r} is not registered in tiepoint.foundation.reasons")

    @property
    def sentence(self) -> str:
        """The sentence that a person reads."""
        return REASONS[self.code].format_map(dict(self.params))


def flag(code: str) -> str:
    """Return `code` if it is a registered flag; `KeyError` otherwise."""
    if code not in FLAGS:
        raise KeyError(f"flag {code!r} is not registered in tiepoint.foundation.reasons")
    return code
