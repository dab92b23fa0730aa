"""What may come in over the broker: every refusal of the fault catalogue's M1, and the flood of M2."""

from __future__ import annotations

import json
from datetime import UTC, datetime, timedelta
from typing import Any

import pytest
from banderole.link.commands import (
    BURST,
    IDS,
    LENIENT,
    MESSAGE_BYTES,
    STRICT,
    Accepted,
    CommandDesk,
    Inbound,
    Mode,
    Refused,
)
from hypothesis import given
from hypothesis import strategies as st

RUN = "20261125-081500-3f2a"
WALL = datetime(2026, 11, 25, 8, 15, tzinfo=UTC)


def desk(mode: Mode = "lenient", run: str | None = RUN) -> CommandDesk:
    return CommandDesk(mode, lambda: run)


def message(**keys: Any) -> dict[str, Any]:
    return {"v": 1, "id": "a1", "command": "hold", **keys}


def judge(of: CommandDesk, body: Any, retain: bool = False, now: float = 0.0) -> Accepted | Refused:
    payload = body if isinstance(body, bytes) else json.dumps(body).encode()
    return of.judge(Inbound(payload, retain), WALL, now)


def reason(body: Any, mode: Mode = "lenient", retain: bool = False, run: str | None = RUN) -> str:
    answer = judge(desk(mode, run), body, retain)
    assert isinstance(answer, Refused), answer
    assert "\n" not in answer.reason
    return answer.reason


@pytest.mark.parametrize(
    ("keys", "request_"),
    [
        ({}, {"command": "hold", "at": "now"}),
        ({"at": "layer"}, {"command": "hold", "at": "layer"}),
        ({"at": "band:12"}, {"command": "hold", "at": "band:12"}),
        ({"withdraw": True}, {"command": "hold", "withdraw": True}),
        ({"command": "stop", "run": RUN}, {"command": "stop"}),
        ({"command": "abort", "expires": "2026-11-25T09:15:01+01:00"}, {"command": "abort"}),
        ({"command": "abort", "key": "anna", "proof": "00"}, {"command": "abort"}),
    ],
)
@pytest.mark.parametrize("mode", ["lenient", "signed"])
def test_what_makes_safer_is_taken(keys: dict[str, Any], request_: dict[str, Any], mode: Mode) -> None:
    assert judge(desk(mode), message(**keys)) == Accepted("a1", request_)


@pytest.mark.parametrize("command", sorted(STRICT))
def test_what_makes_go_on_is_not(command: str) -> None:
    assert "only hold, stop and abort" in reason(message(command=command))
    assert "not yet offered over the broker" in reason(message(command=command), "signed")


@pytest.mark.parametrize("command", ["start", "gcode", "", "x" * 500])
def test_starting_and_gcode_are_never_carried(command: str) -> None:
    assert "not carried over the broker" in reason(message(command=command), "signed")


@pytest.mark.parametrize("command", sorted(LENIENT | STRICT))
def test_off_is_off(command: str) -> None:
    assert "off in this printer's file" in reason(message(command=command), "off")


def test_retained_is_refused_whatever_it_says() -> None:
    assert reason(message(command="abort"), retain=True).startswith("retained")


def test_a_repeated_id_is_refused_and_the_memory_bounded() -> None:
    ours = desk()
    for number in range(IDS + 1):
        assert isinstance(judge(ours, message(id=f"n{number}"), now=number * 10.0), Accepted)
    again = judge(ours, message(id=f"n{IDS}", command="stop"), now=1e6)
    assert isinstance(again, Refused)
    assert again.reason.startswith("repeated")
    assert again.id == f"n{IDS}"
    assert len(ours._ids) == IDS


def test_a_refused_message_does_not_spend_its_id() -> None:
    ours = desk()
    assert isinstance(judge(ours, message(run="other")), Refused)
    assert isinstance(judge(ours, message(run=RUN)), Accepted)


@pytest.mark.parametrize("expires", ["2026-11-25T08:15:00Z", "2026-11-25T09:14:59+01:00", "2001-01-01T00:00:00Z"])
def test_expired_is_refused(expires: str) -> None:
    assert reason(message(expires=expires)).startswith("expired")


@pytest.mark.parametrize("expires", ["2026-11-25T08:15:00", "soon", 1795594500, None, ""])
def test_an_expiry_without_a_zone_is_none(expires: Any) -> None:
    assert "RFC 3339" in reason(message(expires=expires))


@pytest.mark.parametrize(("run", "going"), [("other", RUN), (RUN, None), ("", RUN)])
def test_another_runs_command_is_refused(run: str, going: str | None) -> None:
    assert reason(message(run=run), run=going).startswith("another run's")


@pytest.mark.parametrize(
    ("body", "says"),
    [
        (b"", "not JSON"),
        (b"hold", "not JSON"),
        (b"\xff\xfe{}", "not JSON"),
        (b"[" * 1000, "not JSON"),
        (b'{"v": NaN}', "not JSON"),
        (b"[1]", "not a JSON object"),
        (b'"abort"', "not a JSON object"),
        (b'{"v": 1, "id": "a", "command": "hold", "command": "abort"}', "stands twice"),
        ({"id": "a", "command": "hold"}, '"v" must be 1'),
        (message(v=2), '"v" must be 1'),
        (message(v=True), '"v" must be 1'),
        (message(v="1"), '"v" must be 1'),
        ({"v": 1, "id": "a"}, '"command" is missing'),
        (message(command=["hold"]), '"command" is missing'),
        ({"v": 1, "command": "hold"}, '"id" is missing'),
        (message(id=""), '"id" is missing'),
        (message(id=7), '"id" is missing'),
        (message(id="x" * 65), '"id" is missing'),
        (message(id="a\nb"), '"id" is missing'),
        (message(printer="bench-a"), "unknown key 'printer'"),
        (message(command="stop", at="now"), "unknown key 'at'"),
        (message(at="band:0"), '"at" must be'),
        (message(at="band:3\n"), '"at" must be'),
        (message(at=3), '"at" must be'),
        (message(withdraw="yes"), '"withdraw" must be'),
        (message(run=7), "run must be text"),
        (message(key="x" * MESSAGE_BYTES), "too long"),
    ],
)
def test_what_is_not_as_it_should_be_is_told(body: Any, says: str) -> None:
    assert says in reason(body)


def test_the_limit_is_on_the_whole_message() -> None:
    fill = MESSAGE_BYTES - len(json.dumps(message(key="")))
    assert isinstance(judge(desk(), message(key="x" * fill)), Accepted)
    assert "too long" in reason(message(key="x" * (fill + 1)))


def test_a_flood_of_holds_is_held_back_and_an_abort_acts_at_once() -> None:
    ours = desk()
    answers = [judge(ours, message(id=f"h{n}"), now=n / 1000) for n in range(1000)]  # 1,000 in a second
    taken = sum(isinstance(answer, Accepted) for answer in answers)
    assert BURST <= taken <= BURST + 5
    assert "too many hold" in str(answers[-1])
    assert isinstance(judge(ours, message(id="z", command="abort"), now=1.0), Accepted)
    assert isinstance(judge(ours, message(id="later"), now=1.0 + 1), Accepted)


@given(st.binary(max_size=1200) | st.recursive(st.none() | st.integers() | st.text(), st.lists).map(json.dumps))
def test_anything_gets_an_answer(body: bytes | str) -> None:
    payload = body if isinstance(body, bytes) else body.encode()
    assert isinstance(judge(desk(), payload), Refused)


@given(
    st.dictionaries(
        st.sampled_from(["v", "id", "run", "command", "at", "withdraw", "expires", "key", "proof", "x"]),
        st.sampled_from([1, "hold", "abort", "now", "band:2", RUN, "", None, True, "2026-11-25T08:20:00Z", [], {}]),
    )
)
def test_only_the_three_ever_pass(body: dict[str, Any]) -> None:
    answer = judge(desk("signed"), body)
    if isinstance(answer, Accepted):
        assert answer.request["command"] in LENIENT
        assert body["v"] == 1
        assert body.get("run", RUN) == RUN


def test_time_runs_forward_only_for_the_budget() -> None:
    ours = desk()
    for number in range(BURST):
        judge(ours, message(id=f"n{number}"), now=100.0)
    assert isinstance(judge(ours, message(id="back"), now=50.0), Refused), "a clock that jumps back refills nothing"
    late = ours.judge(Inbound(json.dumps(message(id="y")).encode()), WALL + timedelta(days=365), 101.0)
    assert isinstance(late, Accepted)
