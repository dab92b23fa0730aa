"""Where things lie: the run folder, the state folder, the configuration folder.

Of the service (systemd tells it by RUNTIME_DIRECTORY, STATE_DIRECTORY and CONFIGURATION_DIRECTORY, systemd.exec(5)),
else of the user (XDG Base Directory Specification 0.8). Only light imports: control commands start with this module.
"""

from __future__ import annotations

import os
import re
import stat
from pathlib import Path

SERVICE_RUN = Path("/run/banderole")  # what RuntimeDirectory=banderole gives the service; clients look there too
SERVICE_CONFIG = Path("/etc/banderole")
SERVICE_STATE = Path("/var/lib/banderole")  # what StateDirectory=banderole gives the service
FOLDER = "banderole"
_NAME = re.compile(r"[a-z0-9-]{1,32}")  # the printer's name, as in the printer file: topic level and file name at once
_SOCKET_PATH_BYTES = 107  # sun_path of unix(7) is 108 bytes with its closing NUL


class PlaceError(OSError):
    """A folder that cannot be used, or a name that cannot be one. One line: what, where, what to do."""


def checked_name(name: str) -> str:
    """The name itself, if it may be a file name and a topic level; raises PlaceError."""
    if not _NAME.fullmatch(name):
        raise PlaceError(f"{name!r} is no printer name: use 1 to 32 of a-z, 0-9 and -")
    return name


def run_folder() -> Path:
    """Where our own sockets lie: made with mode 0700 for a user, as systemd made it for the service."""
    given = _service_folder("RUNTIME_DIRECTORY")
    if given is not None:
        return given
    folder = user_run_folder()
    folder.mkdir(mode=0o700, parents=True, exist_ok=True)
    return folder


def user_run_folder() -> Path:
    """The user's run folder, not made. Without XDG_RUNTIME_DIR a folder of this uid alone under the temporary one."""
    given = _xdg("XDG_RUNTIME_DIR")
    if given is not None:
        return given / FOLDER
    # tempfile.gettempdir() would also fall back to the working folder; and it costs 10 ms to import.
    temporary = Path(os.environ.get("TMPDIR") or "/tmp")
    own = temporary / f"{FOLDER}-{os.getuid()}"
    own.mkdir(mode=0o700, exist_ok=True)
    _check_own(own)
    return own


def _check_own(folder: Path) -> None:
    """Anybody can make a name under /tmp first: only a real folder of ours, closed to others, will do."""
    seen = folder.lstat()
    if not stat.S_ISDIR(seen.st_mode) or seen.st_uid != os.getuid() or seen.st_mode & 0o077:
        raise PlaceError(f"{folder}: not a folder of this user alone (mode 0700): remove it, or set XDG_RUNTIME_DIR")


def socket_path(name: str) -> Path:
    """Where the daemon or run of printer `name` listens."""
    return _bounded(run_folder() / f"{checked_name(name)}.sock")


def socket_candidates(name: str) -> list[Path]:
    """Where a client looks, in order: the service's own folder if we are it, the user's, then the service's."""
    checked_name(name)
    given = _service_folder("RUNTIME_DIRECTORY")
    folders = [*([given] if given else []), user_run_folder(), SERVICE_RUN]
    return [_bounded(folder / f"{name}.sock") for folder in dict.fromkeys(folders)]


def known_names() -> list[str]:
    """Names with a socket in one of the folders a client looks in; whether somebody answers is another question."""
    folders = (user_run_folder(), SERVICE_RUN)
    found = {path.stem for folder in folders if folder.is_dir() for path in folder.glob("*.sock")}
    return sorted(name for name in found if _NAME.fullmatch(name))


def _bounded(path: Path) -> Path:
    if len(os.fsencode(path)) > _SOCKET_PATH_BYTES:
        raise PlaceError(f"{path}: longer than the {_SOCKET_PATH_BYTES} bytes of a socket's path: set XDG_RUNTIME_DIR")
    return path


def state_folder(name: str) -> Path:
    """Where the journal, the records and the latch of printer `name` lie; made with mode 0700 if it is not there.

    With 0750 for the service: its group may read what became of the runs that it may start.
    """
    service = _service_folder("STATE_DIRECTORY")
    folder = (service or _user_state()) / checked_name(name)
    try:
        folder.mkdir(mode=0o700 if service is None else 0o750, parents=True, exist_ok=True)
    except OSError as why:
        raise PlaceError(
            f"{folder}: cannot be made ({why.strerror}): a trip or a cut-off run could not be kept"
        ) from why
    return folder


def state_folders() -> list[Path]:
    """What holds the state folders of all printers, for those who only read: ours, then the service's; not made."""
    return list(dict.fromkeys([_service_folder("STATE_DIRECTORY") or _user_state(), SERVICE_STATE]))


def _user_state() -> Path:
    return (_xdg("XDG_STATE_HOME") or _home() / ".local" / "state") / FOLDER


def config_folders() -> list[Path]:
    """Where printer files are looked up, in order: the service's folder, then the user's."""
    service = _service_folder("CONFIGURATION_DIRECTORY") or SERVICE_CONFIG
    return list(dict.fromkeys([service, user_config_folder()]))


def user_config_folder() -> Path:
    """The user's folder for printer files and client.toml; not made."""
    return (_xdg("XDG_CONFIG_HOME") or _home() / ".config") / FOLDER


def find_printer_file(name: str) -> Path | None:
    """The printer file of that name, or None. A name that cannot be one is simply not found."""
    if not _NAME.fullmatch(name):
        return None
    files = (folder / f"{name}.toml" for folder in config_folders())
    return next((file for file in files if file.is_file()), None)


def _service_folder(variable: str) -> Path | None:
    """systemd gives several folders separated by colons; the first is the one of the unit."""
    first = os.environ.get(variable, "").split(":")[0]
    return Path(first) if first.startswith("/") else None


def _xdg(variable: str) -> Path | None:
    """The specification: a relative path is invalid and counts as unset."""
    value = os.environ.get(variable, "")
    return Path(value) if value.startswith("/") else None


def _home() -> Path:
    try:
        return Path.home()
    except RuntimeError as why:
        raise PlaceError("no home folder is known for this user: set HOME, or XDG_STATE_HOME and the like") from why
