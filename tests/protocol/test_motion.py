"""The motion clock, against a planner reckoned apart: a queue of so many places that carries out one motion after another."""

from __future__ import annotations

import random
from dataclasses import dataclass, field

import pytest
from banderole_protocol.motion import PLANNER_LEAST, WAIT_S, MotionClock, drains
from banderole_protocol.window import Window


@dataclass
class Planner:
    """A printer of `places` motions that carries them out `speed` times as fast as their seconds say."""

    places: int
    speed: float = 1.0
    ends: list[float] = field(default_factory=list)

    def free_at(self, now: float) -> float:
        """When the next motion is taken."""
        self.ends = [end for end in self.ends if end > now]
        return now if len(self.ends) < self.places else self.ends[len(self.ends) - self.places]

    def take(self, seconds: float, at: float) -> None:
        self.ends.append(max([at, *self.ends]) + seconds / self.speed)

    def idle_since(self) -> float:
        return max(self.ends, default=0.0)


def stream(seconds: list[float], planner: Planner, clock: MotionClock) -> tuple[list[float], float, float]:
    """One line at a time. How long each stood before it was taken; s that the planner was empty between; the end."""
    now, stood, dry = 0.0, [], 0.0
    for one in seconds:
        now = max(now, clock.motion_from(0, 0.0, now)) + 0.005
        if stood:
            dry += max(0.0, now - planner.idle_since())
        taken = planner.free_at(now)
        stood.append(taken - now)
        planner.take(one, taken)
        now = taken
        clock.took(one, now)
    return stood, dry, planner.idle_since()


@pytest.mark.parametrize("places", [4, 8, 16, 32])
@pytest.mark.parametrize("seed", range(40))
def test_no_line_stands_long_behind_motion_and_the_planner_never_runs_dry(places: int, seed: int) -> None:
    numbers = random.Random(seed)
    seconds = [numbers.choice([0.01, 0.02, 0.1, 0.5, 3.0, 8.0]) for _ in range(400)]
    seconds[:0] = [0.2, 5.0] + [0.1] * 40
    stood, dry, end = stream(seconds, Planner(places), MotionClock())
    assert max(stood) <= WAIT_S + 0.02
    assert dry == 0.0
    assert end == pytest.approx(sum(seconds) + 0.005, abs=1e-6)


def test_without_the_clock_a_line_would_stand_behind_the_long_motion() -> None:
    """The same planner and file, written as fast as they are taken: what the clock is there for."""
    planner, now, stood = Planner(16), 0.0, []
    for one in [5.0] + [0.1] * 40:
        taken = planner.free_at(now)
        stood.append(taken - now)
        planner.take(one, taken)
        now = taken
    assert max(stood) > 4.9


def test_short_motions_of_a_faster_printer_are_not_held_back() -> None:
    """No planner holds more than so many: what was taken before must be over, whatever the reckoning says."""
    seconds = [0.2] * 2000
    _, _, end = stream(seconds, Planner(16, speed=40.0), MotionClock())
    assert end < 2000 * 0.2 / 40 * 1.5 + 5.0


@pytest.mark.parametrize("speed", [0.7, 1.0, 2.0, 5.0, 40.0])
def test_drains_show_how_fast_it_really_goes(speed: float) -> None:
    planner, clock, now = Planner(16, speed=speed), MotionClock(), 0.0
    for _ in range(12):
        for _ in range(6):
            now = max(now, clock.motion_from(0, 0.0, now))
            now = planner.free_at(now)
            planner.take(2.0, now)
            clock.took(2.0, now)
        asked = now = max(now, clock.drain_from(0.0, now))
        now = max(now, planner.idle_since()) + 0.01
        clock.drained(asked, now, shows=True)
    assert clock.pace == pytest.approx(min(1.0, 1 / speed), rel=0.25)


def test_a_disturbed_drain_shows_nothing() -> None:
    clock = MotionClock()
    clock.took(4.0, 0.0)
    clock.drained(0.0, 0.1, shows=False)
    assert clock.pace == 1.0
    assert clock.left_s(0.1) == 0.0


def test_lines_of_a_large_receive_buffer_are_bounded_too() -> None:
    clock = MotionClock()
    assert clock.motion_from(out=PLANNER_LEAST - 1, seconds_out=9.0, now=0.0) == 0.0  # any planner takes these at once
    assert clock.motion_from(out=40, seconds_out=8.0, now=0.0) == 8.0 - WAIT_S


@pytest.mark.parametrize("block", [b"M400", b"G4 P500", b"G28", b"g28 X0", b" G04 S1", b"M0", b"M600", b"G29"])
def test_what_drains(block: bytes) -> None:
    assert drains(block)


@pytest.mark.parametrize(
    "block", [b"G1 X4", b"M104 S0", b"G280", b"M4000", b"M105", b"G2 X4 I28", b"M106", b"M117 G28"]
)
def test_what_does_not(block: bytes) -> None:
    assert not drains(block)


def test_the_window_writes_a_drain_only_shortly_before_all_is_carried_out() -> None:
    window = Window(96, 127, ahead_s=20.0)
    window.greet()
    for _ in range(2):
        window.data_to_send(0.0)
        window.receive(b"ok\n", 0.0)
    window.send(b"G1 X100 F1200", "purge", 5.0)
    window.send(b"M400", "rest")
    assert window.data_to_send(0.0).count(b"\n") == 1
    window.receive(b"ok\n", 0.1)
    assert window.data_to_send(0.2) == b""
    assert window.next_deadline() == pytest.approx(5.1 - WAIT_S)
    assert b"M400" in window.data_to_send(5.1 - WAIT_S)
    assert [event.tags for event in window.receive(b"ok\n", 5.1) if hasattr(event, "tags")] == [["rest"]]


def test_what_makes_safe_does_not_wait_for_the_clock() -> None:
    window = Window(0)
    window.greet()
    for _ in range(2):
        window.data_to_send(0.0)
        window.receive(b"ok\n", 0.0)
    for index in range(6):
        window.send(b"G1 X%d F60" % index, index, 30.0)
        window.data_to_send(0.0)
        window.receive(b"ok\n", 0.0)
    assert window.data_to_send(0.1) == b""
    window.urgent(b"M104 S0")
    assert b"M104 S0" in window.data_to_send(0.1)
