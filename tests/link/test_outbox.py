"""What waits for the broker: order, coalescing, bounds, lateness; with time as an input."""

from __future__ import annotations

import json
from typing import Any

from banderole.link import outbox as room
from banderole.link.backoff import Backoff
from banderole.link.encoding import to_json
from banderole.link.outbox import EVENTS, READINGS, REPLIES, RUN_S, THERMAL_S, Outbox
from hypothesis import given
from hypothesis import strategies as st

STATUS = {"state": "Running", "band": 1, "height": 0.2, "alarms": []}


def online() -> Outbox:
    made = Outbox()
    made.connected()
    return made


def drain(box: Outbox, now: float) -> list[tuple[str, Any]]:
    sent = []
    while (outgoing := box.take(now)) is not None:
        box.done(outgoing)
        sent.append((outgoing.topic, json.loads(outgoing.payload)))
    return sent


def test_what_matters_most_goes_first() -> None:
    box = online()
    box.thermal({"nozzle": 1}, 0.0)
    box.bands([{"band": 1}])
    box.event({"seq": 1})
    box.run(STATUS)
    box.alarm([])
    box.reply("r", {"accepted": True}, b"c")
    assert [topic for topic, _ in drain(box, 0.0)] == ["r", "alarm", "run", "event", "bands", "thermal"]


def test_only_the_newest_status_and_that_once_a_second() -> None:
    box = online()
    for step in range(5):
        box.run({**STATUS, "height": step})
    assert drain(box, 10.0) == [("run", {**STATUS, "height": 4})]
    box.run({**STATUS, "height": 5})
    box.run({**STATUS, "height": 6})
    assert drain(box, 10.5) == []
    assert box.next_due(10.25) == RUN_S - 0.25
    assert drain(box, 11.0) == [("run", {**STATUS, "height": 6})]
    assert box.next_due(11.0) is None


def test_an_edge_does_not_wait() -> None:
    box = online()
    box.run(STATUS)
    drain(box, 10.0)
    for change in ({"band": 2}, {"state": "Holding"}, {"alarms": [{"alarm": "stale", "state": "unacknowledged"}]}):
        box.run({**STATUS, "height": 9.0, **change})
        box.run({**STATUS, "height": 9.1, **change})  # what follows the edge goes with it, not instead of it
        assert drain(box, 10.1) == [("run", {**STATUS, "height": 9.1, **change})]


def test_the_same_again_is_not_sent_again() -> None:
    box = online()
    for _ in range(2):
        box.alarm([])
        box.run(STATUS)
        box.bands([])
    drain(box, 0.0)
    for _ in range(2):
        box.alarm([])
        box.run(STATUS)
        box.bands([])
    assert drain(box, 100.0) == []


def test_a_status_that_comes_while_one_is_sent_is_not_lost() -> None:
    box = online()
    box.run(STATUS)
    first = box.take(0.0)
    assert first is not None
    box.run({**STATUS, "band": 2})
    box.done(first)
    assert drain(box, 0.0) == [("run", {**STATUS, "band": 2})]


def test_what_was_not_acknowledged_follows_late_and_in_order() -> None:
    box = online()
    box.event({"seq": 1})
    box.event({"seq": 2})
    first = box.take(0.0)
    assert first is not None
    box.done(first)
    assert box.take(0.0) is not None  # 2 is on its way
    box.lost()
    box.event({"seq": 3})
    box.connected()
    box.event({"seq": 4})
    assert drain(box, 0.0) == [
        ("event", {"seq": 2, "late": True}),
        ("event", {"seq": 3, "late": True}),
        ("event", {"seq": 4}),
    ]


def test_everything_retained_goes_out_again_after_an_outage() -> None:
    box = online()
    box.run(STATUS)
    box.alarm([{"alarm": "stale"}])
    sent = drain(box, 0.0)
    box.lost()
    box.reply("r", {}, None)
    box.lost()
    box.thermal({"nozzle": 2}, 0.1)
    box.connected()
    assert drain(box, 0.2) == sent, "a reply or a reading of the outage, or something retained missing"


def test_every_bound_holds_and_a_gap_is_told() -> None:
    box = online()
    box.lost()
    for seq in range(1, EVENTS + 4):
        box.event({"seq": seq})
    assert box.backlog == EVENTS
    box.connected()
    for number in range(REPLIES + READINGS + 10):
        box.reply(str(number), {}, None)
        box.thermal({"n": number}, 0.0)
    sent = drain(box, 0.0)
    assert sent[REPLIES] == ("event", {"seq": 4, "late": True, "missed": 3})
    assert [body["seq"] for topic, body in sent if topic == "event"] == list(range(4, EVENTS + 4))
    assert "missed" not in sent[REPLIES + 1][1]
    assert sent[REPLIES - 1][0] == str(REPLIES + READINGS + 9)
    assert len(sent) == REPLIES + EVENTS + READINGS


def test_large_events_are_bounded_by_their_bytes() -> None:
    box = online()
    for seq in range(10):
        box.event({"seq": seq, "text": "x" * (room.EVENT_BYTES // 4)})
    assert 1 <= box.backlog <= 4
    box.event({"seq": 10, "text": "x" * room.EVENT_BYTES})
    assert drain(box, 0.0)[-1][1]["seq"] == 10


def test_the_one_on_its_way_may_be_left_out_meanwhile() -> None:
    box = online()
    box.event({"seq": 0})
    sending = box.take(0.0)
    assert sending is not None
    for seq in range(1, EVENTS + 1):
        box.event({"seq": seq})
    box.done(sending)
    assert box.backlog == EVENTS
    assert drain(box, 0.0)[0][1]["seq"] == 1


def test_an_event_without_a_number_gets_the_next() -> None:
    box = online()
    box.event({"kind": "a"})
    box.event({"seq": 7, "kind": "b"})
    box.event({"kind": "c"})
    assert [body["seq"] for _, body in drain(box, 0.0)] == [1, 7, 8]


def test_an_old_reading_is_not_told_and_a_young_one_expires() -> None:
    box = online()
    box.thermal({"nozzle": 1}, 0.0)
    box.thermal({"nozzle": 2}, 4.0)
    outgoing = box.take(0.0 + THERMAL_S)
    assert outgoing is not None
    assert json.loads(outgoing.payload) == {"nozzle": 2}
    assert (outgoing.qos, outgoing.retain, outgoing.expiry_s) == (0, False, THERMAL_S)
    assert box.take(5.0) is None


def test_at_the_end_nothing_waits_for_its_second() -> None:
    box = online()
    box.run(STATUS)
    box.bands([])
    drain(box, 0.0)
    box.run({**STATUS, "height": 1})
    box.bands([{"band": 1}])
    box.hurry()
    assert [topic for topic, _ in drain(box, 0.1)] == ["run", "bands"]


def test_what_is_no_number_becomes_null() -> None:
    """RFC 8259 §6: JSON has no NaN and no Infinity."""
    sent = to_json({"measured": {"nozzle": float("nan"), "bed": [60.0, float("-inf")]}, "text": "Düse"})
    assert sent.decode() == '{"measured":{"nozzle":null,"bed":[60.0,null]},"text":"Düse"}'


@given(st.lists(st.sampled_from(["event", "run", "send", "done", "lose", "connect"]), max_size=60))
def test_however_it_goes_events_arrive_in_order_without_a_gap(steps: list[str]) -> None:
    """What the broker acknowledged, and what it got but we never heard of, put together by number."""
    box, sending, arrived, seq = Outbox(), None, [], 0
    connected = False
    for step in [*steps, "lose", "connect"]:
        match step:
            case "event":
                seq += 1
                box.event({"seq": seq})
            case "run":
                box.run({**STATUS, "height": seq})
            case "send" if connected and sending is None:
                sending = box.take(float(seq))
                if sending is not None and sending.topic == "event":
                    arrived.append(json.loads(sending.payload)["seq"])
            case "done" if sending is not None:
                box.done(sending)
                sending = None
            case "lose" if connected:
                connected, sending = False, None
                box.lost()
            case "connect" if not connected:
                connected = True
                box.connected()
    arrived += [body["seq"] for topic, body in drain(box, 1e9) if topic == "event"]
    unique = list(dict.fromkeys(arrived))
    assert unique == list(range(1, seq + 1))


def test_waits_grow_to_a_minute_and_begin_again() -> None:
    waits = Backoff(seed=7)
    drawn = [waits.next() for _ in range(200)]
    assert all(1.0 <= wait <= 60.0 for wait in drawn)
    assert all(wait >= 30.0 for wait in drawn[6:]), "the upper half of a minute from the seventh on"
    for number in range(1, 7):
        assert min(60, 2**number) / 2 <= drawn[number] <= min(60, 2**number)
    assert len(set(drawn[10:])) > 100, "no jitter"
    waits.reset()
    assert waits.next() == 1.0
