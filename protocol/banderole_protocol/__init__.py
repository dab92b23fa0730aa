"""The line protocol between a host and a printer, without input, output or a clock.

A block goes out as a numbered, checksummed line (`framing`); what comes back is cut into lines and each becomes one
typed event (`replies`, with `readings` for the temperatures and positions in it). `channels` turns setpoints into
blocks and reads them back. `errors` sorts faults by whose they are. The centre is `window`: what may be on the wire
now, and what each reply settles. Bytes and the time come in as arguments; bytes and events go out.
"""

from .channels import CHANNELS, Channel, FileSetpoint, answer_of, setpoint_block, setpoint_of
from .errors import DamagedLine, EndlessLine, Halted, LinkLost, OurError, ProtocolError, TheirError
from .framing import checksum, frame, unframe
from .readings import Position, PowerScale, Readings, Sensor
from .replies import (
    OK,
    Banner,
    Busy,
    Capability,
    Fatal,
    Identity,
    LineSplitter,
    Note,
    Ok,
    Problem,
    Refusal,
    Reply,
    Report,
    Resend,
    Unknown,
    parse,
)

__all__ = [
    "CHANNELS",
    "OK",
    "Banner",
    "Busy",
    "Capability",
    "Channel",
    "DamagedLine",
    "EndlessLine",
    "Fatal",
    "FileSetpoint",
    "Halted",
    "Identity",
    "LineSplitter",
    "LinkLost",
    "Note",
    "Ok",
    "OurError",
    "Position",
    "PowerScale",
    "Problem",
    "ProtocolError",
    "Readings",
    "Refusal",
    "Reply",
    "Report",
    "Resend",
    "Sensor",
    "TheirError",
    "Unknown",
    "answer_of",
    "checksum",
    "frame",
    "parse",
    "setpoint_block",
    "setpoint_of",
    "unframe",
]
