"""What the report tells of a kept study."""

from tiepoint.documents.revived import outcome_of
from tiepoint.model.decide import Limits
from tiepoint.report.study_numbers import worked
from tiepoint.studies.limits import stated_spread, study_limits


def test_limits_that_were_agreed_stand_with_their_risks():
    made = study_limits(
        Limits(-1.0, 1.0), stated_spread(0.0, 0.4), u_own=0.05, u_common=0.04, most_consumer=0.002, most_producer=0.2
    )
    rows = {row.name: row for row in worked("limits", outcome_of(made)).rows}
    assert made.by_risks is not None
    assert rows["bad and accepted, as agreed"].value == made.by_risks.risks.average.consumer
    assert rows["good and not, as agreed"].value == made.by_risks.risks.average.producer
