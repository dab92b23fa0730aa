"""The steps of `setup`, in order: find, ask, try, look, heat, write, prove."""

from __future__ import annotations

import asyncio
import tempfile
from collections.abc import Callable
from pathlib import Path
from typing import Any, Final

import typer

from banderole.cli import setup_answers as answers
from banderole.cli import setup_trials as trials
from banderole.cli import setup_writing as writing
from banderole.cli.errors import RefusedHere
from banderole.cli.inquiry import Answers
from banderole.cli.journaling import left_unfinished
from banderole.cli.ports import WARNING, lines_of
from banderole.cli.safe_command import nobody_holds, safe, unproven
from banderole.cli.say import clean, complain
from banderole.cli.setup_answers import Asker, Given
from banderole.cli.setup_writing import Found
from banderole.link import latch
from banderole.link.port import SerialPort
from banderole.link.ports import is_stable, list_ports
from banderole.places import user_config_folder
from banderole.plan.config import Printer, load_printer
from banderole.plan.machine_tables import HEAT_OFF_BYTES
from banderole.plan.refusal import InputError
from banderole.run.runner import Link
from banderole.setup.heat_step import HeatStep
from banderole.setup.printer_file import Draft

USUAL_BUFFER: Final = 127
"""Bytes of a small board's receive buffer (common practice, no source): where it could not be measured, and the most that is
relied on where it was. A burst spoilt in just the wrong way makes a large buffer look larger by a tenth."""
LEAST_BUFFER: Final = 64
MOST_WINDOW: Final = 96
"""Bytes in flight that fill a line of 250000 baud; more only lengthens what a heat-off stands behind."""
LOOKS: Final = 5


class Flow:
    """One set-up. `go` raises what commands raise; nothing is written unless everything wanted was done."""

    def __init__(
        self, given: Given, out: Path | None, replace: bool, heat_to: float, tell: Callable[[str], None]
    ) -> None:
        self.given, self.out, self.replace, self.heat_to, self.tell = given, out, replace, heat_to, tell
        self.ask = Asker()
        self.draft = Draft()
        self._emulated: Link | None = None

    def check_missing(self) -> None:
        """Without a terminal all that is missing is named at once, before any port is opened."""
        given = self.given
        wanted = {
            "--port": given.port or (len(list_ports()) == 1 or None), "--name": given.name, "--x": given.x,
            "--y": given.y, "--z": given.z, "--nozzle-max": given.nozzle_max,
            "--e-mode": given.e_mode or (given.yes_move or None),
        }  # fmt: skip
        self.ask.need([option for option, value in wanted.items() if value is None])

    def go(self) -> dict[str, Any]:
        """All of it. What was found, for `--json`."""
        name, origin = self.ask.value(self.given.name, "--name", "A name for it", answers.printer_name)
        out = self._out(name)
        nobody_holds(name)
        self.draft.put("", "name", name, origin)
        self._questions()
        port = self._port()
        self._refused_early()
        baud, said = self._identify(port)
        self._safe_first(self._printer())
        found = Found(said, self._try_manners(port, baud))
        self._aside(port, baud)
        self._heat(port, baud, self._printer(), found)
        return writing.as_json(self.draft, out, self._write(out, found), found)

    # ---- asking

    def _questions(self) -> None:
        given, put = self.given, self.draft.put
        for axis, text, usual in (("x", given.x, "0,220"), ("y", given.y, "0,220"), ("z", given.z, "0,250")):
            question = f"What the nozzle can really reach in {axis.upper()}, least,most in mm"
            value, origin = self.ask.value(text, f"--{axis}", question, answers.pair, usual)
            put("volume", axis, list(value), origin)
        if given.round:
            put("volume", "shape", "round", "given")
        clips = " ".join(given.keep_out) if given.keep_out or not self.ask.there else None
        areas, origin = self.ask.value(
            clips, "--keep-out", "Clips and probes to keep out of, x0,y0,x1,y1 each", answers.rectangles, "none"
        )
        if areas:
            put("volume", "keep_out", areas, origin)
        most, origin = self.ask.value(
            None if given.nozzle_max is None else f"{given.nozzle_max}", "--nozzle-max",
            "The highest nozzle temperature that this machine may ever be asked for, °C", answers.number, "250",
        )  # fmt: skip
        put("limits", "nozzle", [0.0, most], origin)
        idle = None if given.motors_off is None else f"{given.motors_off}"
        if idle is None and not self.ask.there:
            put("firmware", "idle_release_s", 60.0, "default", "measuring it takes minutes; the maker tells")
            return
        seconds, origin = self.ask.value(
            idle, "--motors-off", "Seconds without motion until the motors are let go (0 = never)", answers.number, "60"
        )
        put("firmware", "idle_release_s", seconds, origin)

    def _port(self) -> str:
        if self.given.port is not None:
            port, origin = self.given.port, "given"
        else:
            found = list_ports()
            if not found:
                raise RefusedHere("no serial device is plugged in: plug the printer in and switch it on")
            for number, one in enumerate(found, 1):
                self.tell(f"{number}  {one.name}  {clean(one.description)}")
            number = 1
            if len(found) > 1:
                number = int(
                    self.ask.value(None, "--port", "Which one is the printer, by number", _up_to(len(found)))[0]
                )
            port, origin = found[number - 1].name, "found"
        stable = port == "emulated" or is_stable(port)
        more = "" if stable else "not a stable name, it may change when plugged in again"
        if more:
            complain(f"{port}: {more}")
        self.draft.put("serial", "port", port, "given" if origin == "given" else "found", more)
        return port

    def _out(self, name: str) -> Path:
        out = self.out or user_config_folder() / f"{name}.toml"
        if out.exists() and not self.ask.yes(self.replace, f"{out} is there already. Write over it?"):
            raise InputError("there is a printer file already", str(out), "give --replace, or another --out")
        writing.check_place(out)
        return out

    def _refused_early(self) -> None:
        """What the printer file refuses is refused before the port is opened; a latched trip before anything heats."""
        printer = self._printer()
        if not printer.limits.nozzle[0] <= self.heat_to <= printer.limits.nozzle[1]:
            raise InputError(
                f"{self.heat_to:g} °C is beyond what the nozzle may be asked for", "--heat-to", "correct it"
            )
        if self.given.aside is not None:
            self._put_aside(*self.ask.value(self.given.aside, "--aside", "", answers.place))
            self._printer()
        if self.given.e_mode is not None:
            self.ask.value(self.given.e_mode, "--e-mode", "", answers.e_mode)

    # ---- trying

    def _line(self, port: str, baud: int) -> Link:
        if port != "emulated":
            return SerialPort(port, baud)
        if self._emulated is None:
            from banderole.cli.run_command import port_of

            self._emulated = port_of(self._printer())
        return self._emulated

    def _identify(self, port: str) -> tuple[int, Answers]:
        complain(WARNING)
        wanted = 115200 if port == "emulated" else self.given.baud
        baud, said = asyncio.run(trials.find(lambda one: self._line(port, one), port, wanted, self.tell))
        for line in lines_of(said):
            self.tell(line)
        self.draft.put(
            "serial", "baud", baud, "given" if self.given.baud else "found", "by trying" * (not self.given.baud)
        )
        return baud, said

    def _safe_first(self, printer: Printer) -> None:
        """A set-up or run of that name that was cut off may have left heat on. Raises RefusedHere where it stays unproven."""
        left = left_unfinished(printer.name)
        if left is None:
            return
        complain(f"run {left.get('run')} of {printer.name} never ended: making the printer safe first")
        prior = left.get("prior")
        ended, _ = safe(printer, prior if isinstance(prior, dict) else {})
        if not ended.proven:
            raise RefusedHere(f"the printer could not be made safe{unproven(ended)}")

    def _try_manners(self, port: str, baud: int) -> trials.Manners:
        restart = self.ask.yes(
            self.given.yes_restart, "May the printer be restarted by its DTR line, to see whether it can?"
        )
        move_e = self.ask.yes(
            self.given.yes_move, "May E be moved back by 0.2 mm at most, cold, to see whether G90 and G91 set it?"
        )
        self.tell("trying, cold: reports, receive buffer" + ", E" * move_e + ", restart" * restart + " …")
        found = asyncio.run(trials.try_manners(self._line(port, baud), port, restart, move_e))
        put = self.draft.put
        if found.buffer is None:
            put("serial", "receive_bytes", USUAL_BUFFER, "default", "nothing was lost, or it could not be told")
        elif found.buffer.least < LEAST_BUFFER:
            put(
                "serial",
                "receive_bytes",
                LEAST_BUFFER,
                "default",
                f"measured {found.buffer.least}: lines must stay short",
            )
        else:
            size = found.buffer
            put(
                "serial",
                "receive_bytes",
                (relied_on := min(size.least, USUAL_BUFFER)),
                "measured",
                f"between {size.least} and {size.most}, by what it loses"
                + "; no more is needed" * (size.least > relied_on),
            )
            window = min(MOST_WINDOW, relied_on - HEAT_OFF_BYTES)
            put("serial", "window_bytes", window, "follows", "from receive_bytes, room for a heat-off left")
        self._e_mode(found.e_mode)
        return found

    def _e_mode(self, seen: str | None) -> None:
        given = self.given.e_mode
        if seen is not None:
            if given in ("joined", "apart") and given != seen:
                complain(f'--e-mode {given} is not what the printer shows: "{seen}" is written')
            self.draft.put("firmware", "e_mode", seen, "measured", "by 0.1 mm of E, read back")
            return
        if given is None and not self.ask.there:
            self.draft.remarks.append("e_mode could not be seen: files whose meaning depends on it are refused")
            return
        mode, origin = self.ask.value(
            given, "--e-mode", "Do G90 and G91 set E too (joined), or leave it (apart)? unknown leaves it open",
            answers.e_mode, "unknown",
        )  # fmt: skip
        if mode != "unknown":
            self.draft.put("firmware", "e_mode", mode, origin)

    def _aside(self, port: str, baud: int) -> None:
        """The place where the nozzle waits; gone to, so that it can be looked at, on a yes."""
        text = self.given.aside
        for _ in range(LOOKS):
            place, origin = self.ask.value(
                text, "--aside", "Where the nozzle waits aside: x,y in mm, or auto", answers.place, "auto"
            )
            self._put_aside(place, origin)
            printer = self._printer()
            if place == "auto" or not self.ask.yes(
                self.given.yes_move, "Bed clear, hands off? The axes are homed, then the nozzle goes there"
            ):
                return
            self.tell("homing, then going aside …")
            asyncio.run(trials.look(self._line(port, baud), port, printer.volume, place))
            self.tell(f"the nozzle stands at {place[0]:g}, {place[1]:g}: look whether it is clear of everything")
            if not self.ask.there or typer.confirm("Does it stand clear of everything?", default=True):
                return
            text = None
        raise InputError("no aside place was found", "--aside", "begin again, with a place that is clear")

    def _put_aside(self, place: Any, origin: answers.Origin) -> None:
        self.draft.put("aside", "at", place if place == "auto" else list(place), origin)

    def _heat(self, port: str, baud: int, printer: Printer, found: Found) -> None:
        """The heater step, on a yes; what it showed goes into `found`."""
        question = (
            f"May the nozzle be heated to {self.heat_to:g} °C and let cool, up to seven minutes, to learn its heater?"
        )
        if not self.ask.yes(self.given.yes_heat, question):
            self.tell("the heater was not tried: no yes to heat")
            return
        if (trip := latch.read_latch(printer.name)) is not None:
            raise RefusedHere(
                f"{printer.name} has tripped ({trip.get('alarm')}): banderole reset --printer {printer.name}"
            )
        step = HeatStep(self.heat_to, try_break=True)
        ended = asyncio.run(trials.heat(self._line(port, baud), printer, step, self.tell))
        if ended.exit == 3:
            raise RefusedHere(ended.reason)
        if ended.exit:
            heat = "; heat is off" if ended.proven else unproven(ended)
            complain(f"{ended.state}: {ended.reason}{heat}; no printer file was written")
            raise typer.Exit(ended.exit)
        self.tell("heat is off, and was seen to be off; reckoning …")
        found.heater, found.breaks = step.identified(), step.breaks
        self.tell(writing.heater_line(found.heater))

    # ---- writing

    def _printer(self) -> Printer:
        """The draft as the printer file's own rules read it. Raises InputError in terms of the answers."""
        with tempfile.TemporaryDirectory() as folder:
            file = Path(folder) / "draft.toml"
            port = {} if self.draft.value("serial", "port") else {("serial", "port"): "emulated"}
            text = self.draft.text() + "".join(f'[serial]\nport = "{one}"\n' for one in port.values())
            file.write_text(text, encoding="utf-8")
            try:
                return load_printer(file)
            except InputError as why:
                raise InputError(why.what, "your answers", why.todo) from None

    def _write(self, out: Path, found: Found) -> Printer:
        writing.remark(self.draft, found)
        printer = writing.write(self.draft, out)
        if found.heater is not None:
            writing.keep_heater(printer.name, found.heater, complain)
        named = str(out) if self.out is not None else printer.name
        self.tell(f"written, and read back sound: {out}")
        self.tell("Limits of bed and the other channels are defaults: look through the file.")
        self.tell(
            f"next: banderole survey tower.gcode --schedule nozzle.toml --printer {named}, then banderole run with the same"
        )
        return printer


def _up_to(most: int) -> Callable[[str], int]:
    def read(text: str) -> int:
        if not text.strip().isdigit() or not 1 <= int(text) <= most:
            raise ValueError(f"is not one of 1 to {most}")
        return int(text)

    return read
