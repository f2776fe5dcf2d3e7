"""What a report says of evidence that could not be looked at in full."""

from types import SimpleNamespace

from tiepoint.report.acceptance_evidence import evidence
from tiepoint.report.blocks import Note
from tiepoint.station.ledger import Chain, Head
from tiepoint.station.verify import Evidence


def test_records_that_could_not_be_worked_out_again_are_told():
    head = Head(3, "5c1f")
    why = "the recipe 0123456789ab of 2 records is in no accepted copy"
    found = Evidence(Chain(3, head, ()), None, 1, 0, (), (), (), (why,))
    story = SimpleNamespace(
        evidence=found, requirements=SimpleNamespace(sha="ab"), runs=(), acts=(), records=(), kept={}, written={}
    )
    notes = [block.text for block in evidence(story) if isinstance(block, Note)]
    assert f"Not worked out again: {why}." in notes
