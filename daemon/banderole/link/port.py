"""The serial port, behind two methods: bytes to the printer, bytes from it.

pyserial opens and configures the device; from then on its file descriptor is the event loop's: a reader, and a
writer for as long as the kernel would not take everything at once. Nothing here blocks, numbers, or understands.

A port is ours alone: flock (advisory, but dropped by the kernel however we die) and TIOCEXCL (binding, though root
passes it). TIOCEXCL stays off pseudo-terminals: there the flag outlives a killed holder for as long as the other end
lives (seen on Linux 6.18), and would lock the next start out, which has heat to turn off.
"""

from __future__ import annotations

import asyncio
import errno
import fcntl
import logging
import os
import stat
import struct
import termios
import time
from collections.abc import Callable
from typing import Protocol

import serial

log = logging.getLogger("banderole.port")

Receiver = Callable[[bytes], None]

READ_BYTES = 16384  # one read; the kernel hands out at most its tty buffer, 4 kB on Linux
BACKLOG_BYTES = 65536  # far above any window of a board (128 B to some kB): reached only if nobody takes anything
DTR_LOW_S = 0.25  # boards restart on the edge through a capacitor; common practice, no source
DRAIN_S = 0.05  # what a closing port waits for the kernel's last bytes: 500 bytes at 115200
_TIOCGEXCL = 0x80045440  # asm-generic/ioctls.h; the termios module does not name it
_PTY_MAJORS = range(136, 144)  # Unix98 slaves, Linux admin-guide/devices.txt
_GONE = {errno.EIO, errno.ENXIO, errno.ENODEV, errno.EBADF, errno.EPIPE}


class PortError(Exception):
    """One line for a person: what, where, what to do."""


class PortAbsent(PortError):
    """There is no such device now."""


class PortInUse(PortError):
    """Somebody else has it; nothing was sent."""


class PortUnusable(PortError):
    """It is there, but no serial device, not permitted, or not at that speed."""


class PortClogged(PortError):
    """More was written than may wait; none of it was taken."""


class Port(Protocol):
    """What the runner needs of a link to a printer; the emulated printer offers the same."""

    def open(self, receiver: Receiver) -> None:
        """In a running event loop. `receiver` gets what arrives; b"" once, when the device is gone."""

    def write(self, data: bytes) -> None:
        """Never blocks: what is not taken now waits, bounded, and goes when it can."""

    def unsent(self) -> int:
        """Bytes not yet taken by the kernel."""

    def pulse_dtr(self) -> None:
        """Lowers DTR for a moment: many boards restart."""

    def close(self) -> None:
        """May be opened again afterwards, by the same stable name."""


class SerialPort:
    """A Port on a serial device or a pseudo-terminal. `baud` in bit/s, any integer the device takes."""

    def __init__(self, path: str, baud: int) -> None:
        self.path = path
        self.baud = baud
        self._serial: serial.Serial | None = None
        self._loop: asyncio.AbstractEventLoop | None = None
        self._receiver: Receiver | None = None
        self._backlog = bytearray()
        self._writing = False

    @property
    def is_open(self) -> bool:
        return self._serial is not None

    def open(self, receiver: Receiver) -> None:
        """Raises PortAbsent, PortInUse, PortUnusable; in each case nothing was sent and nothing is kept open."""
        if self._serial is not None:
            raise PortInUse(f"{self.path}: already opened by this program")
        self._loop = asyncio.get_running_loop()
        self._serial = _open_device(self.path, self.baud)
        self._receiver = receiver
        self._backlog.clear()
        self._loop.add_reader(self._serial.fileno(), self._readable)

    def write(self, data: bytes) -> None:
        """Raises PortClogged; bytes for a device that is gone are dropped (the receiver was or will be told)."""
        if self._serial is None:
            log.debug("%s: %d bytes dropped, the port is not open", self.path, len(data))
            return
        if len(self._backlog) + len(data) > BACKLOG_BYTES:
            raise PortClogged(f"{self.path}: {len(self._backlog)} bytes wait already and the device takes none")
        self._backlog += data
        if not self._writing:
            self._push()

    def unsent(self) -> int:
        return len(self._backlog)

    def pulse_dtr(self) -> None:
        if self._serial is None or self._loop is None:
            return
        if self._set_dtr(False):
            self._loop.call_later(DTR_LOW_S, self._set_dtr, True)

    def close(self) -> None:
        """Clean also after an unplug, and a second time. What still waits here is given up."""
        device = self._detach()
        if device is None:
            return
        _drain(device.fileno())
        _close_device(device)

    def _set_dtr(self, high: bool) -> bool:
        if self._serial is None:
            return False
        try:
            self._serial.dtr = high
        except OSError as why:  # a pseudo-terminal has no such line (ENOTTY, EINVAL)
            log.info("%s: no DTR line here (%s)", self.path, why)
            return False
        return True

    def _readable(self) -> None:
        assert self._serial is not None
        try:
            data = os.read(self._serial.fileno(), READ_BYTES)
        except (BlockingIOError, InterruptedError):
            return
        except OSError as why:
            self._lost(why)
            return
        if not data:
            self._lost(None)
        elif self._receiver is not None:
            self._receiver(data)

    def _push(self) -> None:
        """Gives the kernel what it takes; the writer is registered only while something waits."""
        assert self._serial is not None
        assert self._loop is not None
        try:
            taken = os.write(self._serial.fileno(), self._backlog)
        except (BlockingIOError, InterruptedError):
            taken = 0
        except OSError as why:
            self._lost(why)
            return
        del self._backlog[:taken]
        wanted = bool(self._backlog)
        if wanted and not self._writing:
            self._loop.add_writer(self._serial.fileno(), self._push)
        elif not wanted and self._writing:
            self._loop.remove_writer(self._serial.fileno())
        self._writing = wanted

    def _lost(self, why: OSError | None) -> None:
        """The device is gone. Let go of it at once, or it comes back under another number; tell from the loop."""
        if why is not None and why.errno not in _GONE:
            log.warning("%s: %s, taken as unplugged", self.path, why)
        receiver, loop = self._receiver, self._loop
        device = self._detach()
        if device is None or receiver is None or loop is None:
            return
        _close_device(device)
        loop.call_soon(receiver, b"")  # never from inside write(): its caller is in the middle of something

    def _detach(self) -> serial.Serial | None:
        device, self._serial, self._receiver = self._serial, None, None
        if device is not None and self._loop is not None and not self._loop.is_closed():
            self._loop.remove_reader(device.fileno())
            self._loop.remove_writer(device.fileno())
        self._backlog.clear()
        self._writing = False
        return device


def _open_device(path: str, baud: int) -> serial.Serial:
    probe = _probe(path)
    try:
        # A second descriptor, held meanwhile: closing the only one would drop DTR and restart the board.
        device = serial.Serial(path, baud, exclusive=True)
    except (OSError, ValueError, termios.error) as why:
        raise _blame(path, baud, why) from why
    finally:
        os.close(probe)
    try:
        _settle_lines(device.fileno())
    except (OSError, termios.error) as why:
        device.close()
        raise _blame(path, baud, why) from why
    return device


def _probe(path: str) -> int:
    """A descriptor for a device that is a terminal and that nobody has claimed; nothing is changed or sent."""
    try:
        if not stat.S_ISCHR(os.stat(path).st_mode):
            raise PortUnusable(f"{path}: no serial device; `banderole ports` lists what is there")
        fd = os.open(path, os.O_RDWR | os.O_NOCTTY | os.O_NONBLOCK)
    except OSError as why:
        raise _blame(path, None, why) from why
    try:
        if not os.isatty(fd):
            raise PortUnusable(f"{path}: no serial device; `banderole ports` lists what is there")
        # Root passes TIOCEXCL at open; it is asked, so that root is refused like everybody else.
        if struct.unpack("i", fcntl.ioctl(fd, _TIOCGEXCL, bytes(4)))[0]:
            raise PortInUse(_in_use(path))
    except OSError as why:
        os.close(fd)
        raise _blame(path, None, why) from why
    except PortError:
        os.close(fd)
        raise
    return fd


def _settle_lines(fd: int) -> None:
    attributes = termios.tcgetattr(fd)
    attributes[2] &= ~termios.HUPCL  # closing later must not drop DTR: that restarts many boards
    # With VMIN 0 an empty read is also "nothing yet"; with 1 it is only "gone" (termios(3), non-canonical mode).
    attributes[6][termios.VMIN] = 1
    termios.tcsetattr(fd, termios.TCSANOW, attributes)
    if os.major(os.fstat(fd).st_rdev) not in _PTY_MAJORS:
        fcntl.ioctl(fd, termios.TIOCEXCL)


def _blame(path: str, baud: int | None, why: Exception) -> PortError:
    number = getattr(why, "errno", None) or (why.args[0] if why.args and isinstance(why.args[0], int) else None)
    match number:
        case errno.ENOENT | errno.ENOTDIR:
            return PortAbsent(f"{path}: no such port; plug the printer in and switch it on, `banderole ports` lists it")
        case errno.ENXIO | errno.ENODEV | errno.EIO:
            return PortAbsent(f"{path}: nothing behind this port; plug the printer in again")
        case errno.EBUSY | errno.EWOULDBLOCK:
            return PortInUse(_in_use(path))
        case errno.EACCES | errno.EPERM:
            owner = "add this user to the group that owns the device, often dialout, and log in again"
            return PortUnusable(f"{path}: permission denied; {owner}")
        case _ if baud is not None:
            return PortUnusable(f"{path}: cannot be set to {baud} baud ({why}); check serial.port and serial.baud")
        case _:
            return PortUnusable(f"{path}: cannot be opened ({why}); check serial.port")


def _in_use(path: str) -> str:
    return f"{path}: in use by another program; nothing was sent; end that one first"


def _drain(fd: int) -> None:
    """Gives the last bytes a moment, then drops them: a close would wait up to 30 s for a device that takes none.

    The 30 s are the closing_wait of Linux serial drivers (setserial(8)). A pseudo-terminal says 0 here: never flushed.
    """
    deadline = time.monotonic() + DRAIN_S
    try:
        while struct.unpack("i", fcntl.ioctl(fd, termios.TIOCOUTQ, bytes(4)))[0]:
            if time.monotonic() >= deadline:
                termios.tcflush(fd, termios.TCOFLUSH)
                return
            time.sleep(0.005)
    except (OSError, termios.error) as why:
        log.debug("nothing to drain: %s", why)  # unplugged: the bytes are gone with it


def _close_device(device: serial.Serial) -> None:
    try:
        fcntl.ioctl(device.fileno(), termios.TIOCNXCL)
    except OSError as why:
        log.debug("%s: lock not given back, the device is gone: %s", device.port, why)
    try:
        device.close()
    except OSError as why:  # the descriptor is released all the same, close(2)
        log.info("%s: closed with %s", device.port, why)
