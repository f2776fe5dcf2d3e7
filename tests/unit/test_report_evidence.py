"""What a report says of evidence that could not be looked at in full."""

from types import SimpleNamespace

from tiepoint.report.acceptance_evidence import evidence, faults
from tiepoint.report.blocks import Grid, Note
from tiepoint.station.ledger import Chain, Head
from tiepoint.station.served import AlarmSeen
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


def test_an_alarm_that_was_agreed_is_told_as_raised_or_not_or_as_one_that_nobody_can_match():
    agreed = ("light", "position", "share top", "share of undecided parts above 2 %")
    raised = [AlarmSeen("light", "north", "dimmer by 9 %", 7, "x"), AlarmSeen("share", "top", "more", 9, "x")]
    served = SimpleNamespace(alarms=raised, faults=(), begun=(1,), challenges=(), missed=0)
    control = SimpleNamespace(alarms=agreed)
    story = SimpleNamespace(served=served, requirements=SimpleNamespace(table=SimpleNamespace(control=control)))
    table = next(block for block in faults(story) if isinstance(block, Grid))
    told = [(state.text, state.mark, state.entries) for what, _, state in table.rows if what.text.startswith("Alarm: ")]
    assert told[:3] == [
        ("raised 1 time", "shown", (7,)),
        ("not tried", "not tried", ()),
        ("raised 1 time", "shown", (9,)),
    ]
    assert told[3][0].startswith("cannot be matched with an alarm")
    assert told[3][1] is None
