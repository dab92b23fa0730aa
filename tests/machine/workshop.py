"""A small computer, the printer at its USB socket, and somebody who looks on over the broker from outside."""

from __future__ import annotations

import json
import shutil
import socket
import time
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import Any, Final

from banderole.bench import Manners
from paho.mqtt.client import Client, MQTTMessage, MQTTv5
from paho.mqtt.enums import CallbackAPIVersion

from tests.machine.computer import Computer
from tests.machine.installed import NAME
from tests.machine.printer import SocketPrinter
from tests.support.mosquitto import free_port

UNIT: Final = f"banderole@{NAME}"
USB_PORT: Final = 1
SERIAL: Final = "BENCH0001"
BOARD: Final = (
    "e_mode=apart",
    "restart_on_open=false",
    "dtr_resets=false",
    "motion_speed=4",
    "heat_speed=10",
    "home_s=3",
)
"""The wire runs at its real speed. This board never restarts: its heat goes off by a command or not at all."""
LOOK_S: Final = 0.1
START: Final = f"cd /home/maker && runuser -u maker -- banderole start tower.gcode --schedule schedule.toml --to {NAME}"


class Onlooker:
    """Every message of the printer, with the clock of `now`."""

    def __init__(self, port: int, now: Callable[[], float]) -> None:
        self.got: list[tuple[float, str, Any]] = []
        self._now = now
        self._client = Client(CallbackAPIVersion.VERSION2, protocol=MQTTv5)
        self._client.on_connect = lambda client, *_: client.subscribe(f"banderole/{NAME}/#", qos=1)
        self._client.on_message = self._take
        self._client.reconnect_delay_set(1, 2)
        self._client.connect_async("127.0.0.1", port)
        self._client.loop_start()

    def _take(self, client: Client, data: Any, message: MQTTMessage) -> None:
        if message.payload:
            topic = message.topic.rpartition("/")[2]
            self.got.append((self._now(), topic, json.loads(message.payload)))

    def status(self) -> dict[str, Any]:
        """The last `run`; empty before the first."""
        return next((body for _, topic, body in reversed(self.got) if topic == "run"), {})

    def events(self, kind: str, since: float = 0.0) -> list[tuple[float, dict[str, Any]]]:
        return [
            (at, body)
            for at, topic, body in list(self.got)
            if topic == "event" and body["kind"] == kind and at >= since
        ]

    def leave(self) -> None:
        self._client.disconnect()
        self._client.loop_stop()


class Workshop:
    """One computer after another on the same disk, one printer all the time."""

    def __init__(self, folder: Path, saved: Path, image: Path, arch: str, printer: SocketPrinter) -> None:
        self.printer = printer
        self._folder, self._image, self._arch = folder, image, arch
        self._disk = folder / "disk.qcow2"
        self._strangers: list[socket.socket] = []
        shutil.copyfile(saved, self._disk)
        self._begin(saved=True)

    def _begin(self, saved: bool) -> None:
        port = free_port()
        self.broker_url = f"mqtt://127.0.0.1:{port}"
        self.computer = Computer(self._folder, self._disk, self._image, self._arch, broker_port=port, saved=saved)
        self.onlooker = Onlooker(port, self.printer.now)
        self.computer.add_device("printer", SERIAL, USB_PORT)
        self.plug()
        self.computer.agent()

    def boot(self) -> float:
        """Power is back: when, on the printer's clock. Returns once commands can be given."""
        at = self.printer.now()
        self._begin(saved=False)
        return at

    def cut_power(self) -> float:
        """When, on the printer's clock. Its own supply stays on."""
        self.computer.cut_power()
        at = self.printer.now()
        self.printer.unplug()
        self.onlooker.leave()
        return at

    def stranger(self) -> Callable[[], bytes]:
        """Another board is plugged in; what it has been sent by the time that this is called."""
        self.computer.add_device("stranger", "STRANGER1", USB_PORT + 1)
        cable = socket.socket(socket.AF_UNIX)
        cable.connect(str(self.computer.path("stranger")))
        cable.setblocking(False)
        self._strangers.append(cable)

        def heard() -> bytes:
            try:
                return cable.recv(65536)
            except BlockingIOError:
                return b""

        return heard

    def plug(self) -> None:
        self.printer.plug(self.computer.path("printer"))

    def close(self) -> None:
        for cable in self._strangers:
            cable.close()
        self.onlooker.leave()
        self.computer.cut_power()

    # --- a run
    def start(self) -> str:
        """A run begun by somebody who has seen the bed; its id."""
        self.until(lambda: self.onlooker.status() != {}, 60, "word from the daemon")
        said = self.computer.must(f"{START} --bed-clear")
        return said.partition("run ")[2].split()[0]

    def until(self, condition: Callable[[], bool], seconds: float, what: str) -> float:
        """The printer's clock when it holds; fails after so many seconds, with what the machine's journal has last."""
        end = time.monotonic() + seconds
        while not condition():
            if time.monotonic() > end:
                raise AssertionError(
                    f"waited {seconds:g} s for {what}; status {self.onlooker.status()}\n{self.journal()}"
                )
            time.sleep(LOOK_S)
        return self.printer.now()

    def in_band(self, number: int, seconds: float = 300.0) -> float:
        """Until the printer lays down that band, nozzle hot."""

        def there() -> bool:
            status = self.onlooker.status()
            return status.get("band") == number and status.get("phase") == "printing"

        return self.until(there, seconds, f"band {number}")

    def ended(self, run: str, seconds: float = 300.0) -> dict[str, Any]:
        """How the run ended, as it was told over the broker."""
        found: list[dict[str, Any]] = []

        def there() -> bool:
            found[:] = [body for _, body in self.onlooker.events("run_ended") if body["run"] == run]
            return bool(found)

        self.until(there, seconds, f"the end of run {run}")
        return found[0]

    def heat_off(self, since: float, seconds: float) -> float:
        """Seconds from `since` until both heaters' targets are 0, as the printer has it."""
        self.printer.wait_for(lambda: self.printer.targets() == (0.0, 0.0), seconds, "heat off")
        return self.last_heat_off() - since

    def last_heat_off(self) -> float:
        """The clock at which the nozzle was last told 0."""
        return [at for at, value in self.printer.seen("nozzle") if value == 0.0][-1]

    def alarms(self) -> list[str]:
        """By name, as they stand retained on the broker."""
        return [one["alarm"] for one in self.onlooker.status().get("alarms", [])]

    # --- inside
    def journal(self, lines: int = 40) -> str:
        return self.computer.sh(f"journalctl --no-pager --output=short-monotonic --lines={lines} --unit={UNIT}")[1]

    def runs(self) -> list[dict[str, Any]]:
        """The printer's journal, as a person there reads it."""
        return [
            json.loads(line) for line in self.computer.must("runuser -u maker -- banderole runs --json").splitlines()
        ]

    def active(self) -> bool:
        return self.computer.sh(f"systemctl is-active {UNIT}")[1] == "active\n"

    def daemon_began(self) -> float:
        """The clock of the printer at which the daemon's process was started."""
        up = float(self.computer.must("cut -d' ' -f1 /proc/uptime"))
        at = self.printer.now()
        began = self.computer.must(f"systemctl show --value --property=ExecMainStartTimestampMonotonic {UNIT}")
        return at - (up - int(began) / 1e6)

    def restarts(self) -> int:
        return int(self.computer.must(f"systemctl show --value --property=NRestarts {UNIT}"))


@contextmanager
def workshop(folder: Path, saved: Path, image: Path, arch: str) -> Iterator[Workshop]:
    with SocketPrinter(Manners.from_settings(BOARD)) as printer:
        made = Workshop(folder, saved, image, arch, printer)
        try:
            yield made
        finally:
            made.close()
