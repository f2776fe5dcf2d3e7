"""What a station is, when several things forbid that parts conform at once."""

from tiepoint.station.duty.condition import NEXT, Condition, next_of


def test_a_station_that_a_person_took_off_duty_stays_off_until_it_is_woken():
    told = []
    one = Condition(told.append)
    one.set("on duty")
    one.set("off duty", "it was taken off duty by M. Weiss")
    # A challenge whose time has come, a camera that comes back, and what was accepted meanwhile put it on duty not.
    for state in ("warming", "not released", "on duty"):
        one.set(state)
        assert (one.now.state, one.now.says) == ("off duty", "it was taken off duty by M. Weiss")
        assert one.forbids is not None
    assert one.beneath == "on duty"
    one.wake()
    assert (one.now.state, one.forbids) == ("on duty", None)
    assert [change.state for change in told] == ["on duty", "off duty", "on duty"]


def test_a_rest_hides_a_fault_and_does_not_end_it():
    one = Condition(lambda change: None)
    one.set("on duty")
    one.fault("camera top", "the cable")
    one.set("off duty", "it rests")
    assert one.now.state == "off duty"
    one.wake()
    assert (one.now.state, one.now.fault, one.now.says) == ("fault", "camera top", "the cable")


def test_a_fault_that_stands_behind_another_is_told_by_its_name():
    one = Condition(lambda change: None)
    one.set("on duty")
    one.fault("camera top", "The cable.")
    assert one.now.says == "The cable."
    one.fault("archive", "The disk is full.")
    for k in range(6):
        one.fault(f"camera {k}", "The cable.")
    assert one.now.says == "The cable. Also: archive, camera 0, camera 1, camera 2, camera 3 and 2 more."
    assert one.forbids.params["detail"] == one.now.says.rstrip(".")
    one.fault("camera top", None)
    assert (one.now.fault, one.now.says[:18]) == ("archive", "The disk is full. ")


def test_each_fault_says_what_to_do():
    assert next_of("camera top").startswith("see to its cable")
    assert next_of("watch position 0") == ""  # its sentence ends with it
    assert all(next_of(name) == todo for name, todo in NEXT.items())
