"""How one emulated board behaves: every option that two real boards may differ in, with its reason."""

from __future__ import annotations

import dataclasses
from collections.abc import Iterable
from dataclasses import dataclass, field
from typing import Any, Literal

from banderole.bench.heater import HeaterBuild


@dataclass(frozen=True, slots=True)
class Manners:
    """All options of an emulated board. The defaults are a plain, well-behaved one."""

    # --- line
    baud: int = 115200  # 8N1: ten bits a byte; 0 = bytes arrive at once (fast rehearsals)
    receive_bytes: int = 127  # the receive ring of a small board: a power of two, less one
    command_queue: int = 4  # lines read and checked but not yet done
    max_line: int = 96  # bytes of one line; what is longer is cut, and so fails its checksum
    line_end: Literal["lf", "crlf", "cr"] = "lf"  # the convention lets any of them end a line
    resend_form: Literal["Resend: ", "Resend:", "rs "] = "Resend: "  # all three are met
    resend_ok: bool = True  # most boards send `ok` behind a request to resend; some do not
    flush_on_refusal: bool = False  # some throw away what has come in behind a damaged line
    advanced_ok: bool = False  # `ok N12 P15 B3` instead of `ok`
    readings_on_ok: bool = True  # M105 answers `ok T:…`; else the temperatures on a line of their own before `ok`
    auto_report: bool = True  # knows M155
    emergency_parser: bool = False  # M108, M112 and M410 act as they arrive
    busy_s: float = 2.0  # s between `busy` lines while a command lasts; 0 = never
    reports_while_slow: bool = True  # auto-report also during G28 and G29
    busy_while_heating: bool = False  # readings come then anyway, so most boards stay quiet
    wait_form: Literal["full", "short"] = "full"  # `T:205.3 /210.0 … W:?` or `T:205.3 E:0 W:?`
    power_full: Literal[127, 255] = 127  # what `@:` shows at full duty
    power_shown: bool = True  # `@:` and `B@:` at all
    answers: frozenset[str] = frozenset({"M220", "M221", "M900", "M207"})  # bare commands that are answered
    capabilities: bool = True  # `Cap:` lines behind M115
    # --- restarting
    restart_on_open: bool = True  # many boards take DTR, raised when the port opens, as a reset
    dtr_resets: bool = True
    boot_s: float = 0.5  # s from a reset to `start`; bytes that come before are lost
    protection: bool = False  # halts by itself when a sensor reads what no heater can
    halt_form: Literal["Error:", "!!"] = "Error:"  # how a halt is told
    replug_s: float = 2.0  # s until an unplugged board (fault S12) is there again
    halt_talks: bool = False  # a halted board repeats its text at every line; else it is silent
    # --- motion
    planner: int = 16  # motions looked ahead
    acceleration: float = 0.0  # mm/s², each motion from rest to rest; 0 = a motion lasts its length over its feed
    motion_speed: float = 1.0  # motions, homing, probing and dwells run so many times faster than the clock
    e_mode: Literal["joined", "apart"] = "joined"  # joined: G90 and G91 set E too; apart: they leave it alone
    fan_synced: bool = False  # M106 acts when the motion reaches it, not when it is read
    idle_release_s: float = 60.0  # s without motion after which the motors are let go; 0 = never
    home_s: float = 8.0  # s that G28 takes
    probe_s: float = 20.0  # s that G29 takes
    person_s: float = 30.0  # s until somebody presses the button after M0, M1 or M600; 0 = nobody comes
    # --- heat
    tools: int = 1
    nozzle: HeaterBuild = field(default_factory=HeaterBuild)
    bed: HeaterBuild = field(default_factory=lambda: HeaterBuild(gain=120.0, tau=400.0, band=5.0))
    heat_speed: float = 1.0  # thermal time runs so many times faster than the clock
    cold_below: float = 170.0  # °C under which filament is not moved; 0 = no such guard
    wait_window: float = 1.0  # °C within which M109 and M190 count the setpoint as reached
    wait_dwell_s: float = 3.0  # thermal s that they want it to last
    # --- chance, from `seed` alone
    seed: int = 1
    noise_in: float = 0.0  # probability that a byte to the board is damaged
    noise_out: float = 0.0  # and from it
    drop_ok: float = 0.0  # probability that an `ok` is not sent
    extra_ok: float = 0.0  # and that it is sent twice
    # --- faults to come, `NAME@WHEN` each (see bench/faults.py)
    faults: tuple[str, ...] = ()
    # --- record
    log_limit: int = 500_000  # rows of each kind kept in memory; a callback still gets all of them

    def sped(self, factor: float) -> Manners:
        """The same board with wire, motion and heat so many times faster.

        What the host times by its own clock stays: reports, `busy`, idle release, booting.
        """
        return dataclasses.replace(
            self,
            baud=round(self.baud * factor),
            motion_speed=self.motion_speed * factor,
            heat_speed=self.heat_speed * factor,
        )

    def settings(self) -> list[str]:
        """The options that differ from the default, as `from_settings` takes them."""
        return list(_differences("", self, Manners()))

    @staticmethod
    def from_settings(settings: Iterable[str]) -> Manners:
        """Manners from `key=value` or `heater.key=value`; raises ValueError with one clear line."""
        changes: dict[str, Any] = {}
        base = Manners()
        for setting in settings:
            key, sep, text = setting.partition("=")
            if not sep:
                raise ValueError(f"{setting!r}: write it as key=value")
            outer, dot, inner = key.partition(".")
            if not hasattr(base, outer) or outer not in _KEYS:
                raise ValueError(f"{key!r}: no such option; known are {', '.join(_KEYS)}")
            before = changes.get(outer, getattr(base, outer))
            if dot:
                if not isinstance(before, HeaterBuild) or not hasattr(before, inner):
                    raise ValueError(f"{key!r}: no such option of a heater")
                changes[outer] = dataclasses.replace(before, **{inner: _value(key, text, getattr(before, inner))})
            else:
                changes[outer] = _value(key, text, before)
        return dataclasses.replace(base, **changes)


_KEYS = tuple(entry.name for entry in dataclasses.fields(Manners))


def _differences(prefix: str, have: Any, base: Any) -> Iterable[str]:
    for entry in dataclasses.fields(have):
        value, other = getattr(have, entry.name), getattr(base, entry.name)
        if value == other:
            continue
        if isinstance(value, HeaterBuild):
            yield from _differences(f"{entry.name}.", value, other)
        elif isinstance(value, tuple | frozenset):
            yield f"{prefix}{entry.name}={','.join(sorted(value) if isinstance(value, frozenset) else value)}"
        else:
            yield f"{prefix}{entry.name}={value}"


def _value(key: str, text: str, before: Any) -> Any:
    try:
        match before:
            case bool():
                return {"true": True, "false": False}[text.lower()]
            case int():
                return int(text)
            case float():
                return float(text)
            case tuple():
                return tuple(part for part in text.split(",") if part)
            case frozenset():
                return frozenset(part for part in text.split(",") if part)
            case str():
                return text
            case _:
                raise ValueError(f"{key!r}: set its parts, as {key}.tau=60")
    except KeyError:
        raise ValueError(f"{key!r}: true or false, not {text!r}") from None
    except ValueError as error:
        raise ValueError(f"{key!r}: cannot take {text!r}: {error}") from None
