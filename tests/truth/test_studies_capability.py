"""Capability of the measuring system and process: figures computed before, and the formulas of ISO 22514-7 (memory)."""

import math

import numpy as np
import pytest

from tiepoint.foundation.errors import UnusableInput
from tiepoint.studies.capability import Cause, study_capability

SYSTEM = (
    Cause("calibration", 0.0015), Cause("resolution", 0.005), Cause("repeatability_reference", 0.002, math.inf),
    Cause("bias", 0.003),
)  # fmt: skip
PROCESS = (
    *SYSTEM, Cause("repeatability_parts", 0.003, math.inf), Cause("stations", 0.002, math.inf),
    Cause("temperature", 0.0015), Cause("object", 0.002),
)  # fmt: skip


def test_known_capabilities_to_their_digits() -> None:
    # T .2, res .005, EVR .002, CAL .0015, b .003 → 6.08 %; with EVO .003, GV .002, T .0015, OBJ .002 → 9.90 %.
    found = study_capability(PROCESS, 0.2)
    assert found.process is not None
    assert round(100 * found.system.q.value, 2) == 6.08
    assert round(100 * found.process.q.value, 2) == 9.90
    assert found.good is True


def test_the_smallest_tolerance_is_that_at_which_q_is_its_limit() -> None:
    found = study_capability(PROCESS, 0.2)
    assert found.process is not None
    for capable, which in ((found.system, "system"), (found.process, "process")):
        again = getattr(study_capability(PROCESS, capable.smallest_tolerance.value), which)
        assert again.q.value == pytest.approx(capable.most, rel=1e-12)


def test_what_another_cause_holds_does_not_count() -> None:
    found = study_capability(PROCESS, 0.2)
    rows = {r.kind: r for r in found.rows}
    assert rows["repeatability_reference"].share_process == 0.0
    assert rows["repeatability_reference"].held_by.startswith("repeatability on parts")
    assert rows["resolution"].u == pytest.approx(0.005 / math.sqrt(12))
    assert rows["bias"].u == pytest.approx(0.003 / math.sqrt(3))
    for which in ("share_system", "share_process"):
        assert sum(getattr(r, which) or 0.0 for r in found.rows) == pytest.approx(1.0)


def test_without_causes_of_the_process_only_the_system_is_shown() -> None:
    found = study_capability(SYSTEM, 0.2)
    assert found.process is None
    assert any("of the measuring process nothing is shown" in s for s in found.sentences)


def test_the_interval_of_q_covers_in_95_of_100_studies() -> None:
    # One cause of type A alone: Q follows s, whose χ² interval is exact; a second of known u makes it nearly so.
    rng, dof, true, n = np.random.default_rng(1), 24, 0.01, 4000
    q = 4 * math.hypot(true, 0.004) / 0.2
    held = 0
    for s in true * np.sqrt(rng.chisquare(dof, n) / dof):
        one = study_capability([Cause("repeatability_reference", float(s), dof), Cause("calibration", 0.004)], 0.2)
        held += one.system.q.low <= q <= one.system.q.high
    assert held / n >= 0.95 - 4 * math.sqrt(0.95 * 0.05 / n)


def test_capable_by_the_point_and_yet_not_shown_is_said() -> None:
    nothing = [Cause(kind, 0.0) for kind in ("calibration", "resolution", "bias")]
    found = study_capability([Cause("repeatability_reference", 0.007, 9), *nothing], 0.2)
    assert found.good is True
    assert not found.system.shown
    assert not found.shown
    # s·√(ν/χ²): χ²(0.025; 9) = 2.700 (any table of it), so Q is 14 % and at most 14 %·√(9/2.700) = 25.6 %.
    assert found.sentences[0].startswith(
        "The measuring system is capable by the point value alone: Q_MS is 14 % of at most 15 %, and with 9 degrees of "
        "freedom it may be up to 25.6 %"
    )
    assert "repeatability on a reference, s better, by more readings" in found.sentences[-1]
    assert any(c.name == "enough readings" and c.holds is False for c in found.checks)


def test_what_nobody_stated_is_not_nothing() -> None:
    # A small step alone was “capable: Q_MS 0.06 %”; ISO 22514-7 has four causes of a system in every case (memory).
    found = study_capability([Cause("resolution", 0.0001)], 0.2)
    assert found.good is False
    assert found.missing(of_process=False) == (
        "calibration of the reference, u", "repeatability on a reference, s", "bias on a reference",
    )  # fmt: skip
    assert found.sentences[0].startswith("Of the measuring system nothing is shown: Q_MS is 0.0577 % or more")
    assert "bias on a reference" in found.sentences[0]


def test_a_process_needs_repeatability_on_parts() -> None:
    found = study_capability((*SYSTEM, Cause("temperature", 0.001)), 0.2)
    assert found.good is False
    assert found.sentences[0].startswith("The measuring system is capable")
    assert "not stated is repeatability on parts, s" in found.sentences[1]
    stated = study_capability((*SYSTEM, Cause("repeatability_parts", 0.0), Cause("temperature", 0.001)), 0.2)
    assert stated.good is True


def test_a_standard_deviation_of_unknown_degrees_of_freedom_is_not_taken_as_known() -> None:
    for kind in ("repeatability_reference", "repeatability_parts", "reproducibility", "stations", "interaction"):
        with pytest.raises(UnusableInput, match=f"{kind} is a standard deviation, and how well it is known"):
            study_capability([Cause("calibration", 0.001), Cause(kind, 0.001)], 0.2)
    told = study_capability(SYSTEM, 0.2).convention
    assert "A u without degrees of freedom is taken as known." in told


@pytest.mark.parametrize(
    ("causes", "tolerance", "said"),
    [
        (SYSTEM, 0.0, "above 0"),
        (SYSTEM, -0.2, "above 0"),
        ((), 0.2, "no cause"),
        ((*SYSTEM, Cause("bias", 0.001)), 0.2, "bias is stated twice"),
        ((Cause("calibration", -0.1),), 0.2, "0 or more"),
        ((Cause("calibration", 0.1, 0),), 0.2, "degrees of freedom"),
        ((Cause("colour", 0.1),), 0.2, "is not known; use one of"),
        ((Cause("temperature", 0.1),), 0.2, "no cause of the measuring system"),
    ],
)
def test_capability_refuses_in_a_sentence(causes, tolerance, said) -> None:
    with pytest.raises(UnusableInput, match=said):
        study_capability(causes, tolerance)
