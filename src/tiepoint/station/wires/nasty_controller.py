"""What a controller can do wrongly, or see go wrong: triggers, acknowledges, heartbeats, readings."""

import contextlib
import itertools
from collections.abc import Iterator

from tiepoint.station.wires.controller_client import Controller
from tiepoint.station.wires.layout import ID_BYTES, REFUSALS, VERDICTS, text_words, words_of
from tiepoint.station.wires.modbus import ModbusWire
from tiepoint.station.wires.rehearse import PART, SEQ, Book, Stage, made_told

BOOK = Book("controller")


@contextlib.contextmanager
def joined(stage: Stage) -> Iterator[tuple[ModbusWire, Controller]]:
    """Yield a wire on duty and a controller that has done nothing yet."""
    wire = stage.modbus()
    try:
        with Controller(wire) as controller:
            wire.state(made_told())
            yield wire, controller
    finally:
        wire.stop()


@contextlib.contextmanager
def armed(stage: Stage) -> Iterator[tuple[ModbusWire, Controller]]:
    """Yield a wire on duty and a controller whose heartbeat moves."""
    with joined(stage) as (wire, controller):
        controller.arm()
        yield wire, controller


def _verdict(controller: Controller) -> str:
    verdict, bits = VERDICTS[controller.verdict][0], controller.bits
    good = "good" if "good" in bits else "not good"
    # What stands there is valid, and nothing else is: a controller may look at either bit.
    return f"{verdict}, {good}{'' if ('valid' in bits) == (verdict not in ('none', 'stale')) else ', valid is wrong'}"


def _why(controller: Controller) -> str:
    return REFUSALS[controller.read(7)[0]]


@BOOK("a part as it should be", "busy; conforms, good; echo; ready")
def _whole(stage: Stage) -> str:
    with armed(stage) as (wire, c):
        c.trigger(1, PART.encode())
        said = [c.says("busy")]
        wire.tell(stage.result(trigger=stage.triggers[0].id))
        echo = [c.number(11), *c.read(14), *c.read(19, 17)]
        whole = [SEQ, 1, len(PART), *text_words(PART.encode(), ID_BYTES)]
        said += [_verdict(c), "echo" if echo == whole else "no echo"]
        c.acknowledge(SEQ)
        return "; ".join([*said, c.says("ready", "valid", "busy")])


@BOOK("double trigger", "refused: busy; 1 part")
def _double(stage: Stage) -> str:
    with armed(stage) as (_, c):
        c.trigger(1)
        c.trigger(2)
        return f"{c.says('refused: busy', 'refused: not ready')}; {len(stage.triggers)} part"


@BOOK("trigger before the acknowledge", "refused: busy; 1 part")
def _before_ack(stage: Stage) -> str:
    with armed(stage) as (wire, c):
        c.trigger(1)
        wire.tell(stage.result(trigger=stage.triggers[0].id))
        c.trigger(2)
        return f"{c.says('refused: busy', 'refused: not ready')}; {len(stage.triggers)} part"


@BOOK("the same trigger number written again and again", "1 part, 0 refused")
def _cyclic(stage: Stage) -> str:
    with armed(stage) as (_, c):
        for _n in range(20):
            c.trigger(1)
        return f"{len(stage.triggers)} part, {c.read(6)[0]} refused"


for _state in ("off duty", "warming", "not released", "fault"):

    @BOOK(f"trigger while {_state}", "refused: not ready; 0 parts")
    def _not_ready(stage: Stage, state=_state) -> str:  # type: ignore[no-untyped-def]  # its default is the state
        with armed(stage) as (wire, c):
            wire.state(made_told(state))
            c.trigger(1)
            return f"{c.says('ready', 'refused: busy', 'refused: not ready')}; {len(stage.triggers)} parts"


@BOOK("trigger without a heartbeat", "refused: not ready, heartbeat frozen; 0 parts")
def _no_beat(stage: Stage) -> str:
    with joined(stage) as (_, c):
        c.write(201, [0])
        c.trigger(1)
        said = c.says("refused: busy", "refused: not ready", "heartbeat frozen")
    return f"{said}; {len(stage.triggers)} parts"


@BOOK("a heartbeat that was written once", "heartbeat frozen; not ready; 0 parts")
def _one_beat(stage: Stage) -> str:
    with joined(stage) as (_, c):
        c.beat()  # it may be what was left in the controller's memory
        c.write(201, [0])
        c.trigger(1)
        said = f"{c.says('ready', 'heartbeat frozen')}; {_why(c)}"
    return f"{said}; {len(stage.triggers)} parts"


@BOOK("a good result before any heartbeat", "conforms, not good")
def _good_unheard(stage: Stage) -> str:
    with joined(stage) as (wire, c):
        wire.tell(stage.result())
        return _verdict(c)


@BOOK("frozen heartbeat over a good result", "stale, not good; heartbeat frozen")
def _frozen(stage: Stage) -> str:
    with armed(stage) as (wire, c):
        wire.tell(stage.result())
        stage.clock.on(wire.table.heartbeat_ms + 1)
        wire.state(made_told())
        return f"{_verdict(c)}; {c.says('ready', 'valid', 'heartbeat frozen')}"


@BOOK("heartbeat that writes one number for ever", "heartbeat frozen")
def _same_beat(stage: Stage) -> str:
    with armed(stage) as (wire, c):
        for _n in range(4):
            stage.clock.on(wire.table.heartbeat_ms / 3)
            wire.state(made_told())
            c.write(200, [c.beats])
        return c.says("ready", "heartbeat frozen")


@BOOK("heartbeat that comes back", "ready")
def _beat_again(stage: Stage) -> str:
    with armed(stage) as (wire, c):
        stage.clock.on(wire.table.heartbeat_ms + 1)
        wire.state(made_told())
        c.beat()
        return c.says("ready", "heartbeat frozen")


@BOOK("stale id: the result of another trigger", "busy; none, not good")
def _stale_id(stage: Stage) -> str:
    with armed(stage) as (wire, c):
        c.trigger(1)
        wire.tell(stage.result(trigger="an older one"))
        return f"{c.says('busy', 'valid')}; {_verdict(c)}"


@BOOK("the result of another part id", "other part, not good")
def _other_part(stage: Stage) -> str:
    with armed(stage) as (wire, c):
        c.trigger(1, b"REHEARSAL-8")
        wire.tell(stage.result(trigger=stage.triggers[0].id))
        return _verdict(c)


@BOOK("result after the deadline", "late; none, not good; ready")
def _deadline(stage: Stage) -> str:
    with armed(stage) as (wire, c):
        c.trigger(1)
        stage.clock.on(wire.table.result_ms + 1)
        wire.state(made_told())
        c.beat()
        said = f"{c.says('late', 'busy')}; {_verdict(c)}"
        return f"{said}; {c.says('ready')}"


@BOOK("result of a part given up, while the next is waited for", "busy; none, not good")
def _too_late(stage: Stage) -> str:
    with armed(stage) as (wire, c):
        c.trigger(1)
        stage.clock.on(wire.table.result_ms + 1)
        wire.state(made_told())
        c.beat()
        c.trigger(2)
        wire.tell(stage.result(trigger=stage.triggers[0].id))
        return f"{c.says('busy', 'valid')}; {_verdict(c)}"


@BOOK("result of a part given up, while nothing is waited for", "none of them; none, not good")
def _given_up(stage: Stage) -> str:
    with armed(stage) as (wire, c):
        c.trigger(1)
        stage.clock.on(wire.table.result_ms + 1)
        wire.state(made_told())
        c.beat()
        wire.tell(stage.result(trigger=stage.triggers[0].id))
        return f"{c.says('busy', 'valid')}; {_verdict(c)}"


@BOOK("late acknowledge", "stale, not good; cleared")
def _late_ack(stage: Stage) -> str:
    with armed(stage) as (wire, c):
        wire.tell(stage.result())
        for _n in range(3):  # the controller lives all the while
            stage.clock.on(wire.table.acknowledge_ms / 3 + 1)
            wire.state(made_told())
            c.beat()
        said = _verdict(c)
        c.acknowledge(SEQ)
        return f"{said}; {'cleared' if c.number(11) == 0 else 'still there'}"


@BOOK("acknowledge of another sequence", "wrong acknowledge; conforms, good")
def _wrong_ack(stage: Stage) -> str:
    with armed(stage) as (wire, c):
        wire.tell(stage.result())
        c.acknowledge(SEQ - 1)
        return f"{c.says('wrong acknowledge')}; {_verdict(c)}"


@BOOK("acknowledge of half a sequence", "exception 3; conforms, good")
def _half_ack(stage: Stage) -> str:
    with armed(stage) as (wire, c):
        wire.tell(stage.result())
        return f"{c.write(203, [SEQ & 0xFFFF])}; {_verdict(c)}"


@BOOK("one acknowledge written again and again", "cleared; none of them; conforms, good")
def _ack_twice(stage: Stage) -> str:
    with armed(stage) as (wire, c):
        wire.tell(stage.result())
        c.acknowledge(SEQ)
        said = "cleared" if c.number(11) == 0 else "still there"
        c.acknowledge(SEQ)
        said += f"; {c.says('wrong acknowledge')}"
        wire.tell(stage.result(seq=SEQ + 1))
        c.acknowledge(SEQ)
        return f"{said}; {_verdict(c)}"


@BOOK("a result read in halves of two", "one has equal ends; halves differ")
def _halves(stage: Stage) -> str:
    with armed(stage) as (wire, c):
        wire.tell(stage.result(seq=SEQ))
        first = c.read(10, 50)
        one = (*first, *c.read(60, 62))
        wire.tell(stage.result(seq=SEQ + 1))
        halves = (*first, *c.read(60, 62))
        equal = one[0] == one[-1] and one[1:3] == one[-3:-1]
        differ = halves[0] != halves[-1] and halves[1:3] != halves[-3:-1]
        return f"{'one has equal ends' if equal else 'ends of one differ'}; halves {'differ' if differ else 'pass'}"


@BOOK("a result that nobody asked for, before the answer is acknowledged", "rejected, not good; answers 1; cleared")
def _unasked(stage: Stage) -> str:
    with armed(stage) as (wire, c):
        c.trigger(1)
        wire.tell(stage.result(verdict="rejected", trigger=stage.triggers[0].id))
        wire.tell(stage.result(seq=SEQ + 1, part="REHEARSAL-8"))
        said = f"{_verdict(c)}; answers {c.read(14)[0]}"
        c.acknowledge(SEQ)
        return f"{said}; {'cleared' if c.number(11) == 0 else 'still there'}"


@BOOK("a result that nobody acknowledges is replaced", "replaced; conforms, good")
def _replaced(stage: Stage) -> str:
    with armed(stage) as (wire, c):
        wire.tell(stage.result(seq=SEQ))
        wire.tell(stage.result(seq=SEQ + 1))
        return f"{c.says('replaced')}; {_verdict(c)}"


for _told, _is_check in (("rejected", False), ("undecided", False), ("unread", False), ("check", True)):

    @BOOK(f"a part that is {'a challenge part' if _is_check else _told}", f"{_told}, not good")
    def _not_good(stage: Stage, told=_told, check=_is_check) -> str:  # type: ignore[no-untyped-def]  # as above
        with armed(stage) as (wire, c):
            wire.tell(stage.result(verdict="conforms" if check else told, is_check=check))
            return _verdict(c)


@BOOK("two results: the toggle changes, and changes back", "2 changes")
def _toggle(stage: Stage) -> str:
    with armed(stage) as (wire, c):
        seen = ["toggle" in c.bits]
        for k in range(2):
            wire.tell(stage.result(seq=SEQ + k))
            seen.append("toggle" in c.bits)
        return f"{sum(a != b for a, b in itertools.pairwise(seen))} changes"


@BOOK("the variant and the encoder's count of a trigger", "thin, 70001")
def _about(stage: Stage) -> str:
    with armed(stage) as (_, c):
        c.write(221, [*text_words(b"thin", 16), *words_of(70_001, "u32", c.order)])
        c.write(201, [1])
        return ", ".join(f"{t.variant}, {t.encoder_count}" for t in stage.triggers)


@BOOK("part id of 200 characters in a trigger", "part id too long; 0 parts")
def _long_id(stage: Stage) -> str:
    with armed(stage) as (_, c):
        c.trigger(1, b"X" * 32, 200)
        return f"{_why(c)}; {len(stage.triggers)} parts"


@BOOK("part id that is no text", "part id is no UTF-8; 0 parts")
def _no_text(stage: Stage) -> str:
    with armed(stage) as (_, c):
        c.trigger(1, b"\xff\xfe\x80")
        return f"{_why(c)}; {len(stage.triggers)} parts"


@BOOK("the station cannot take the part", "not taken; refused: not ready")
def _not_taken(stage: Stage) -> str:
    stage.takes = False
    with armed(stage) as (_, c):
        c.trigger(1)
        return f"{_why(c)}; {c.says('busy', 'refused: not ready')}"


@BOOK("the station fails when it is triggered", "not taken; refused: not ready")
def _fails(stage: Stage) -> str:
    stage.takes = RuntimeError("a rehearsal")
    with armed(stage) as (_, c):
        c.trigger(1)
        return f"{_why(c)}; {c.says('busy', 'refused: not ready')}"


@BOOK("the duty loop hangs over a good result", "none, not good; heartbeat stands; age 3041")
def _hangs(stage: Stage) -> str:
    with armed(stage) as (wire, c):
        wire.tell(stage.result(age_ms=40))
        before = c.read(3)
        stage.clock.on(3001)
        c.beat()
        stands = "heartbeat stands" if c.read(3) == before else "heartbeat moves"
        return f"{_verdict(c)}; {stands}; age {c.number(15)}"


@BOOK("the station goes off duty over a good result", "none, not good")
def _off(stage: Stage) -> str:
    with armed(stage) as (wire, c):
        wire.tell(stage.result())
        wire.state(made_told("off duty"))
        return _verdict(c)


@BOOK("the station comes back: the old result does not", "ready; none, not good")
def _back(stage: Stage) -> str:
    with armed(stage) as (wire, c):
        wire.tell(stage.result())
        wire.state(made_told("fault"))
        wire.state(made_told())
        return f"{c.says('ready', 'valid')}; {_verdict(c)}"


@BOOK("a clock that jumps an hour ahead", "stale, not good")
def _jump(stage: Stage) -> str:
    with armed(stage) as (wire, c):
        wire.tell(stage.result())
        stage.clock.on(3_600_000)
        wire.state(made_told())
        c.beat()
        return _verdict(c)
