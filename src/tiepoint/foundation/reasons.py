"""The one registry of reasons (why there is no value) and of flags (what to know about a value).

A reason is data: a code and its parameters, so that a program can act on it; `Reason.sentence` is what
a person reads. A test holds that every code used in the project is registered here.
"""

from collections.abc import Mapping
from dataclasses import dataclass, field

REASONS: dict[str, str] = {
    "few_edges": "Only {found} of {sought} places showed an edge; at least {needed} are needed.",
    "linear_law_fails": "The result is too uncertain for its formula: no interval can be stated.",
    "no_channel": "The picture {picture} has no colour, and the step looks at its channel {channel}.",
    "no_edge": "No edge with the asked polarity stands out from the noise in the region.",
    "no_intersection": "The two lines are parallel within their uncertainty: they have no certain crossing.",
    "no_picture": "The shot has no picture {picture}.",
    "not_a_number": "The measurement did not converge.",
    "not_parallel": "The two lines differ by {angle_deg}°: they have no one distance.",
    "outside_envelope": "The grip would leave the robot's envelope: {detail}.",
    "outside_picture": "The region leaves the picture.",
    "outside_tie": "The place lies outside the region in which the tie is valid.",
    "saturated": "{share_percent} % of the pixels that matter are saturated.",
    "shot_not_complete": "The shot is {status}: only complete shots are judged.",
    "step_broke": "The step could not be carried out: {detail}.",
    "step_failed": "The step it rests on, {step}, gave no value.",
    "tie_refused": "The tie does not fit the shot: {detail}.",
    "too_old": "The shot is {age_s} s old; at most {most_s} s are allowed.",
}

FLAGS: dict[str, str] = {
    "angle_ambiguous": "What tells some angles of the shape apart was not seen: it may lie turned by one of them.",
    "arc_short": "The arc spans less than 90°: centre and radius lean on each other.",
    "bad_views": "Some views do not belong to the camera of the others and were left out.",
    "blurred": "The edges are blurred over more than 3 px: out of focus, or moved during the exposure.",
    "camera_differs": "The photo does not fit the lens of the camera document: refocused, or another lens.",
    "clipped": "The region is cut by the border of the picture.",
    "edge_differs_by_side": "Edges look different on different sides: a bevel or burr catches the light and shifts "
    "them by more than the recipe's edge definition may say.",
    "extrapolated": "The place lies outside the tie's valid region.",
    "few_corners": "Few corners of the target were seen: its intervals are wide, and little is left to check them by.",
    "few_points": "Few edge points: the interval is widened by Student's t.",
    "form_error": "The edge departs from its ideal form by more than its noise explains.",
    "half_turn_unknown": "The target has no mark at its origin: whether it lies turned by half a turn cannot be told.",
    "hand_placed": "A point was placed by hand, with no edge or corner under it to hold it.",
    "lens_assumed": "Lens distortion was not measured: a bound for it was assumed.",
    "linear_law_doubtful": "The formula bends within the uncertainty: the stated interval is only rough.",
    "low_contrast": "The contrast is below ten times the noise.",
    "more_than_one_edge": "More than one edge stands in the region; make sure that the right one was taken.",
    "no_redundancy": "No more points than the model needs: an error in one of them shows nowhere.",
    "outliers": "More than 15 % of the points were left out as outliers.",
    "page_bowed": "The page is bowed more than was stated: lay it flat, or state how flat it is.",
    "pairs_scattered": "The pairs agree poorly with one another: one of them may be wrong.",
    "pairs_suspect": "The pairs hold what looks like a typing error.",
    "partly_seen": "Less than nine tenths of the target were measured; what lies beyond rests on fewer points.",
    "photos_disagree": "The photos of one pose differ by more than their noise: something moves, or the light does.",
    "print_not_measured": "The print was not measured: ± takes it as printed at 100 %, and a page made to fit is 3 to "
    "6 % off. Measure it: tiepoint target measure.",
    "saturated": "Some pixels that matter are saturated.",
    "tie_model_poor": "The tie's lens model leaves more over than noise explains.",
    "tilt_assumed": "The camera's tilt was not measured: a bound for it was assumed.",
}


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
