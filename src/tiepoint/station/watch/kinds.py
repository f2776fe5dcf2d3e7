"""The kinds of alarms: what each is called in a sentence, and which check or tie it asks for."""

from typing import Literal

Kind = Literal[
    "light", "sharpness", "saturated", "black", "position", "scale", "edge", "dirt", "golden", "lot", "share",
    "runner_up", "detection", "disk", "clock", "temperature", "watch",
]  # fmt: skip

NEXT: dict[Kind, str] = {
    "light": "clean the lamp and its window, look at its current and for light from outside, show the challenge set",
    "sharpness": "look at the lens's ring and window, focus again; after that make the tie anew and accept it",
    "saturated": "look for a lamp that is too bright or a reflection, lower exposure or current, then show the "
    "challenge set",
    "black": "look for a lamp that is off or something in front of the camera, then show the challenge set",
    "position": "fasten camera and fixture, then make the tie anew (tiepoint tie target) and accept it",
    "scale": "look at the camera's distance and lens, then make the tie anew (tiepoint tie target) and accept it",
    "edge": "look at what covers the fixed edge; if camera or fixture was moved, make the tie anew (tiepoint tie "
    "target) and accept it",
    "dirt": "clean window and lens at that place, then look again",
    "golden": "measure the golden part by other means; if it is as it was, prove the station again (tiepoint study "
    "type1)",
    "lot": "measure parts of this lot by other means, and look at what of process or material changed with it",
    "share": "look at the last parts that did not conform: if they are good, show the challenge set; else stop what "
    "makes them",
    "runner_up": "look at what the find takes for the part, and teach it again with a clearer outline",
    "detection": "show real parts with this defect: where they are found, hold what is painted against them; where "
    "not, no part since then was inspected for it: look them through by other means, see to light, focus and limits, "
    "and accept what finds it again",
    "disk": "free the disk, or let the archive keep less",
    "clock": "look at the clock's source; records keep their order by number, their times jump here",
    "temperature": "let the station warm up, look at its cooling, and check the tie at this temperature",
    "watch": "read what the watch says of itself; where no accepted state was held or pictures have changed, hold it "
    "(tiepoint hold)",
}
