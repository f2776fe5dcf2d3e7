"""A gauge study of 100 parts × 3 levels × 5 repeats with all intervals, beside statsmodels' table of variances.

Goal: at most 20 ms for the whole study (table, components, intervals by modified large sample, checks, sentences).

    python benchmarks/rr.py [--json]
"""

import argparse
import json

import numpy as np
import pandas as pd
from statsmodels.formula.api import ols
from statsmodels.stats.anova import anova_lm
from timing import least_ms

from tiepoint.studies.measured import Measured
from tiepoint.studies.rr import study_rr

GOALS = {"ms": 20.0}
PARTS, LEVELS, REPEATS = 100, 3, 5


def measured() -> Measured:
    """Return made values with their parts and loadings."""
    rng = np.random.default_rng(1)
    part, level, _ = np.indices((PARTS, LEVELS, REPEATS)).reshape(3, -1)
    values = rng.normal(0, 1, PARTS)[part] + rng.normal(0, 0.1, LEVELS)[level] + rng.normal(0, 0.2, part.size)
    names = tuple(map(str, part.tolist()))
    where = tuple(f"row {k}" for k in range(part.size))
    return Measured(values, "mm", where, part=names, factors={"loading": tuple(map(str, level.tolist()))})


def main() -> None:
    """Measure and print."""
    asked = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    asked.add_argument("--json", action="store_true", help="print one JSON object")
    options = asked.parse_args()
    data = measured()
    frame = pd.DataFrame({"v": data.values, "p": data.part, "a": data.factors["loading"]})
    taken = least_ms(
        {
            "study": (lambda: study_rr(data, tolerance=5.0, most=0.3), 20),
            "table alone by statsmodels": (lambda: anova_lm(ols("v ~ C(p) * C(a)", frame).fit()), 2),
        }
    )
    ours, other = taken["study"], taken["table alone by statsmodels"]
    told = {"ms": ours, "statsmodels_ms": other, "times_faster": other / ours, "goals": GOALS}
    print(json.dumps(told, indent=1) if options.json else "\n".join(f"{k}: {v}" for k, v in told.items()))


if __name__ == "__main__":
    main()
