"""Each fault that can be asked for really happens, once or for good, at its time."""

from __future__ import annotations

import pytest
from banderole.bench import Manners
from banderole.bench.faults import NAMES, Fault
from banderole.bench.line_discipline import xor
from banderole.bench.noise import Noise, lose_unseen
from hypothesis import given
from hypothesis import strategies as st

from tests.bench.desk import Desk, framed


def desk_with(*faults: str, **manners: float) -> Desk:
    return Desk(Manners(faults=faults, busy_s=0.0, cold_below=0.0, **manners))  # type: ignore[arg-type]


@pytest.mark.parametrize(
    ("spec", "words"),
    [
        ("S1", "NAME@COUNT"),
        ("S99@3", "known are"),
        ("S1-bed@3", "leave -bed off"),
        ("S1@1.5", "write 1.5s"),
        ("T3-fan@3", "NAME@COUNT"),
    ],
)
def test_specs_that_are_none(spec: str, words: str) -> None:
    with pytest.raises(ValueError, match=words) as caught:
        Manners(faults=(spec,)) and Desk(Manners(faults=(spec,)))
    assert spec in str(caught.value)
    assert "\n" not in str(caught.value)


def test_specs() -> None:
    assert Fault.parse("t3-bed@30s") == Fault("T3", "bed", float("inf"), 30.0)
    assert Fault.parse("T3@12") == Fault("T3", "nozzle", 12.0, float("inf"))
    assert Fault.parse("s2B@12").name == "S2b"


@pytest.mark.parametrize("name", NAMES)
def test_every_fault_fires_once_at_its_count_and_is_recorded(name: str) -> None:
    desk = desk_with(f"{name}@3")
    for _ in range(6):
        desk.send("M105")
        desk.live(0.2)
    fired = [event for event in desk.printer.log.events if event.kind == "fault"]
    assert [event.detail.split()[0] for event in fired] == [name]
    assert fired[0].at == pytest.approx(0.4, abs=0.01)


def test_s1_one_line_is_refused_and_nothing_else() -> None:
    desk = desk_with("S1@2")
    desk.do("M105", "M105")
    desk.send("M105")
    assert desk.live(0.2)[1:] == ["Resend: 3", "ok"]
    desk.number = 2
    desk.do("M105", "M105")


def test_s2_a_setpoint_arrives_as_another_with_a_good_checksum() -> None:
    desk = desk_with("S2@1", "S2b@1")
    desk.do("M105", "M105", "M104 S210", "G1 X100 Y20", "G1 X100 Y30 E1", "M104 S210")
    assert desk.executed()[2:] == ["M104 S120", "G1 X100 Y20", "G1 X1 Y30 E1", "M104 S210"]


@given(st.integers(1, 99999), st.sampled_from(["M104 S210", "M140 S60", "G1 X100.5 Y20 E1.11", "M106 S128"]))
def test_what_the_xor_misses_is_a_change_with_the_same_checksum(number: int, block: str) -> None:
    line = framed(number, block).rstrip()
    changed = lose_unseen(line)
    assert changed is not None
    assert changed != line
    assert xor(changed[: changed.rindex(b"*")]) == int(line[line.rindex(b"*") + 1 :])


def test_s3_and_s4_an_ok_too_few_and_one_too_many() -> None:
    desk = desk_with("S3@2")
    desk.send("M117", "M117", "M117")
    assert desk.live(1.0) == ["ok", "ok"]
    desk = desk_with("S4@2")
    desk.send("M117", "M117", "M117")
    assert desk.live(1.0) == ["ok"] * 4


def test_s5_and_s6_refusals_repeated_and_astray() -> None:
    desk = desk_with("S5@1")
    desk.do("M117")
    desk.send("M117 again")
    assert desk.live(1.0).count("Resend: 2") == 10
    desk = desk_with("S6@1")
    desk.do("M117")
    desk.send("M117 again")
    assert "Resend: 1002" in desk.live(1.0)
    desk = desk_with("S6b@90")
    desk.do(*["M117"] * 90)
    desk.send("M117 again")
    assert "Resend: 11" in desk.live(1.0)


def test_s7_replies_damaged_merged_doubled_split() -> None:
    desk = desk_with("S7@1")
    for _ in range(5):
        desk.send("M117")
        desk.live(0.1)
    damaged, *rest = desk.heard
    assert damaged != "ok"
    assert rest == ["okok", "ok", "o", "k", "ok"]  # the second joined the doubled third


def test_s8_a_line_without_end() -> None:
    desk = desk_with("S8@1")
    desk.send("M117")
    desk.live(0.1)
    desk.send("M117")
    desk.live(0.1)
    assert len(desk.heard[0]) > 1_000_000


def test_s9_goes_on_after_five_seconds_and_nothing_is_lost() -> None:
    desk = desk_with("S9@2")
    desk.do("M117")
    desk.send("M117", "M117")
    assert desk.live(4.9) == []
    assert desk.live(0.2) == ["ok", "ok"]


def test_s10_silence_but_the_board_works_on() -> None:
    desk = desk_with("S10@2")
    desk.do("M104 S200")
    desk.send("M117", "M140 S60")
    assert desk.live(100.0) == []
    assert desk.printer.machine.bed.target == 60.0
    desk.printer.pulse_dtr(desk.now)
    assert desk.live(2.0) == []


def test_s10b_replies_without_readings() -> None:
    desk = desk_with("S10b@2")
    desk.do("M155 S1", "M117")
    assert desk.do("M105") == ["ok"]
    assert desk.live(5.0) == []


def test_s11_restarts_and_counts_from_one() -> None:
    desk = desk_with("S11@3")
    desk.do("M104 S200", "G28")
    desk.send("M117")
    assert desk.live(2.0)[0] == "start"
    assert desk.printer.machine.nozzle.target == 0.0
    desk.send("M117")  # with the number of before
    assert desk.live(0.2)[1] == "Resend: 1"


def test_s15_halts_by_a_thermal_failure() -> None:
    desk = desk_with("S15@10s")
    desk.do("M104 S200")
    desk.live(11.0)
    assert desk.heard[-1] == "Error:thermal failure; halted"
    assert desk.printer.machine.nozzle.target == 0.0


def reading(desk: Desk, which: str = "T:") -> float:
    words = desk.do("M105")[-1].split()
    return float(next(word for word in words if word.startswith(which))[len(which) :])


def test_heater_faults_are_seen_in_the_readings() -> None:
    desk = desk_with("T1@2")
    desk.do("M104 S200")
    assert reading(desk) < -273.0
    desk = desk_with("T3-bed@1")
    desk.do("M140 S60")
    desk.live(100.0)
    assert reading(desk, "B:") == 25.0
    desk = desk_with("T4@1")
    desk.live(100.0)
    desk.do("M105")
    desk.live(100.0)
    assert reading(desk) > 100.0
    desk = desk_with("T7@1")
    desk.do("M117")
    assert [reading(desk) > 100.0 for _ in range(3)] == [True, False, False]


@pytest.mark.parametrize(
    ("name", "shown"), [("T1", "-300.0"), ("T1b", "999.0"), ("T1c", "nan"), ("T1d", "-25.0"), ("T1e", "350.0")]
)
def test_t1_readings_that_cannot_be(name: str, shown: str) -> None:
    desk = desk_with(f"{name}@1")
    desk.do("M117")
    assert f"T:{shown} /0.0" in desk.do("M105")[-1]


def test_t2_the_controller_knows_no_better_than_its_sensor() -> None:
    """Frozen short of the setpoint, full power goes on; frozen above it, there is none."""
    desk = desk_with("T2@3")
    desk.do("M104 S200")
    desk.live(30.0)
    desk.do("M105", "M117")
    desk.live(300.0)
    assert "@:127" in desk.do("M105")[-1]
    assert desk.printer.machine.nozzle.temperature > 300.0
    desk.do("M104 S40")
    desk.live(600.0)
    assert " @:0 " in desk.do("M105")[-1]
    assert desk.printer.machine.nozzle.temperature < 60.0


@given(seed=st.integers(0, 50), share=st.sampled_from([0.001, 0.01, 0.2]))
def test_noise_comes_from_its_seed_and_in_its_share(seed: int, share: float) -> None:
    data = bytes(20_000)
    first, again = Noise(share, str(seed)), Noise(share, str(seed))
    damaged = first.pass_on(data)
    assert damaged == b"".join(again.pass_on(data[at : at + 1000]) for at in range(0, 20_000, 1000))
    hit = sum(byte != 0 for byte in damaged)
    spread = (20_000 * share) ** 0.5
    assert abs(hit - 20_000 * share) < 5.5 * spread + 1
    assert all(byte.bit_count() <= 1 for byte in damaged)


def test_settings_round_trip() -> None:
    manners = Manners.from_settings(
        ["nozzle.tau=60", "e_mode=apart", "advanced_ok=true", "faults=S1@3,T3@5s", "baud=0", "answers=M220"]
    )
    assert manners.nozzle.tau == 60.0
    assert manners.faults == ("S1@3", "T3@5s")
    assert Manners.from_settings(manners.settings()) == manners
    for bad in ("nozzle.tao=60", "speed", "baud=fast", "nozzle=60", "advanced_ok=perhaps", "colour=red"):
        with pytest.raises(ValueError) as caught:
            Manners.from_settings([bad])
        assert "\n" not in str(caught.value)
