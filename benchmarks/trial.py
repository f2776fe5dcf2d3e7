"""A trial of 10,000 records: statistics and pictures, beside a plain count with SciPy's exact test for each class.

    python benchmarks/trial.py [--json]

8,000 good parts and 2,000 bad ones of two classes, each a showing as a record gives it: margins are drawn, a few bad
parts pass. `study_ms`: checks of the labels, worst showings, confusion, bounds, what is shown. `pictures_ms`: margins
to the limit and the page. Processor times, the least of several runs. To be reached: both together in 2 s. Running the
recipe over the shots is not in it: that is `recipe.py`.
"""

import argparse
import json
from collections import Counter

import numpy as np
from scipy import stats
from timing import least_ms

from tiepoint.report.trial_page import trial_html
from tiepoint.report.trial_picture import margins
from tiepoint.studies.trial import Showing, study_trial

GOAL_MS = 2000.0
CLASSES = (("good", "", 8000, 25.0, 7.0), ("bad", "too large", 1000, -20.0, 9.0), ("bad", "scratch", 1000, -4.0, 2.5))


def showings(seed: int) -> list[Showing]:
    """Return 10,000 parts, each shown once."""
    rng, made = np.random.default_rng(seed), []
    for truth, kind, n, middle, spread in CLASSES:
        for k, margin in enumerate(rng.normal(middle, spread, n).tolist()):
            verdict = "conforms" if margin > 1.645 else "undecided" if margin > -1.645 else "rejected"
            name = f"{truth} {kind} {k}"
            made.append(Showing(name, truth, kind, verdict, margin, "bore A.diameter", (name,), name))
    return made


def plain(parts: list[Showing]) -> list[tuple[float, float]]:
    """Return what a script would: counts by class and verdict, and the exact interval of each class."""
    counts = Counter((s.truth, s.kind, s.verdict) for s in parts)
    found = []
    for truth, kind, n, _, _ in CLASSES:
        passed = counts[truth, kind, "conforms"]
        wrong = passed if truth == "bad" else n - passed
        interval = stats.binomtest(wrong, n).proportion_ci(0.95, "exact")
        found.append((float(interval.low), float(interval.high)))
    return found


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--json", action="store_true")
    as_json = parser.parse_args().json
    parts = showings(2)
    study = study_trial(parts, most_escapes=0.01, most_false=0.01)
    times = least_ms(
        {
            "study_ms": (lambda: study_trial(parts, most_escapes=0.01, most_false=0.01), 5),
            "pictures_ms": (lambda: (margins(study), trial_html(study, "plate.toml", {})), 5),
            "plain_ms": (lambda: plain(parts), 5),
        }
    )
    both = times["study_ms"] + times["pictures_ms"]
    found = {**times, "both_ms": both, "goal_ms": GOAL_MS, "reached": both <= GOAL_MS}
    if as_json:
        print(json.dumps(found))
    else:
        print("\n".join(f"{name:12} {value:10.1f}" for name, value in found.items()))


if __name__ == "__main__":
    main()
