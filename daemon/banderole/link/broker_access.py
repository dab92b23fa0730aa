"""How to reach a broker, and as whom: checked before anything is heated. Opens the password file, no connection."""

from __future__ import annotations

import ipaddress
import os
import stat
from dataclasses import dataclass
from pathlib import Path
from typing import Literal
from urllib.parse import urlsplit

from banderole.places import user_config_folder

PORTS = {"mqtt": 1883, "mqtts": 8883, "ws": 80, "wss": 443}  # IANA service names; RFC 6455 §3 for the last two
PASSWORD_BYTES = 4096  # MQTT allows 65,535; a longer file is another one given by mistake
WS_PATH = "/mqtt"  # common practice, no source: MQTT 5.0 §6 names the subprotocol, no path
CLIENT_FILE = "client.toml"
OTHERS = 0o077  # mode bits by which somebody besides the owner could read or change a password
OTHERS_CREDENTIAL = (
    0o037  # a credential is root's, and its one reader is in the access list: that shows as group-readable
)


class AccessRefused(Exception):
    """The broker's address or credentials cannot be used. One line: what, where, what to do."""


@dataclass(frozen=True, slots=True)
class Credentials:
    """As in the printer file's broker table, or the user's client.toml."""

    user: str | None = None
    password_file: str | None = None
    ca_file: str | None = None


@dataclass(frozen=True, slots=True)
class Access:
    """Everything a connection needs; `password` never shows in a log or an error."""

    host: str
    port: int
    transport: Literal["tcp", "websockets"]
    tls: bool
    path: str
    user: str | None
    password: str | None
    ca_file: str | None

    def __repr__(self) -> str:
        return f"<broker {self.host}:{self.port}, {self.transport}{' with TLS' if self.tls else ''}>"


def open_access(url: str, credentials: Credentials) -> Access:
    """Raises AccessRefused: a url that names no broker, a password file others can read or one that would go open."""
    scheme, host, port, path = _parts(url)
    tls = scheme in ("mqtts", "wss")
    if credentials.ca_file is not None:
        _check_readable(credentials.ca_file)
    password = None
    if credentials.password_file is not None:
        if credentials.user is None:
            raise AccessRefused(f"{credentials.password_file}: a password without a user: add user")
        if not tls and not is_this_host(host):
            raise AccessRefused(f"{url}: the password would go readable to another host: use mqtts:// or wss://")
        password = read_password(credentials.password_file)
    transport: Literal["tcp", "websockets"] = "websockets" if scheme in ("ws", "wss") else "tcp"
    return Access(host, port, transport, tls, path, credentials.user, password, credentials.ca_file)


def _parts(url: str) -> tuple[str, str, int, str]:
    try:
        parts = urlsplit(url)
        host, port = parts.hostname, parts.port
    except ValueError:
        host, port = None, None
        parts = urlsplit("")
    if parts.scheme not in PORTS or not host or port == 0 or parts.username is not None:
        raise AccessRefused(f"{url[:200]!r} names no broker: write mqtt://HOST:PORT (or mqtts, ws, wss)")
    return parts.scheme, host, port or PORTS[parts.scheme], parts.path if len(parts.path) > 1 else WS_PATH


def is_this_host(host: str) -> bool:
    """Whether what is sent to `host` stays on this machine: a loopback address, or the name of RFC 6761 §6.3 for it."""
    if host == "localhost" or host.endswith(".localhost"):
        return True
    try:
        return ipaddress.ip_address(host).is_loopback
    except ValueError:
        return False


def read_password(path: str) -> str:
    """The one line of a file that nobody but its owner can read. Raises AccessRefused."""
    try:
        # Asked of the open file, so that the one checked is the one read; without waiting, should it be a pipe.
        with open(os.open(path, os.O_RDONLY | os.O_NONBLOCK | os.O_CLOEXEC), "rb") as file:
            seen = os.fstat(file.fileno())
            if not stat.S_ISREG(seen.st_mode):
                raise AccessRefused(f"{path}: no file: name the password file")
            if seen.st_mode & (OTHERS_CREDENTIAL if _is_credential(path) else OTHERS):
                raise AccessRefused(
                    f"{path}: others can read the password (mode {seen.st_mode & 0o777:04o}): chmod 600"
                )
            raw = file.read(PASSWORD_BYTES + 1)
    except OSError as why:
        raise AccessRefused(f"{path}: the password cannot be read ({why.strerror}): check password_file") from None
    try:
        password = raw.decode().rstrip("\r\n")
    except UnicodeDecodeError:
        password = ""
    if not password or len(raw) > PASSWORD_BYTES or "\n" in password:
        raise AccessRefused(f"{path}: holds no password: put one line of UTF-8 into it")
    return password


def _is_credential(path: str) -> bool:
    """Is it one that the service manager has given to this process, and to nobody else (systemd.exec(5))?"""
    folder = os.environ.get("CREDENTIALS_DIRECTORY", "")
    return folder.startswith("/") and os.path.dirname(os.path.realpath(path)) == os.path.realpath(folder)


def _check_readable(path: str) -> None:
    try:
        with open(path, "rb") as file:
            file.read(1)
    except OSError as why:
        raise AccessRefused(f"{path}: the certificate cannot be read ({why.strerror}): check ca_file") from None


def user_credentials(path: Path | None = None) -> Credentials:
    """From the user's client.toml (user, password_file, ca_file), none where there is no such file.

    Raises AccessRefused.
    """
    import tomllib

    file = path or user_config_folder() / CLIENT_FILE
    try:
        found = tomllib.loads(file.read_text("utf-8"))
    except FileNotFoundError:
        return Credentials()
    except OSError as why:
        raise AccessRefused(f"{file}: cannot be read ({why.strerror}): check its permissions") from None
    except (ValueError, RecursionError) as why:
        raise AccessRefused(f"{file}: not TOML ({why}): correct it") from None
    for key, value in found.items():
        if key not in Credentials.__dataclass_fields__:
            raise AccessRefused(f"{file}: unknown key {key}: it holds user, password_file and ca_file")
        if not isinstance(value, str) or not value:
            raise AccessRefused(f"{file}: {key} must be text in quotes: correct it")
    return Credentials(
        found.get("user"), _beside(file, found.get("password_file")), _beside(file, found.get("ca_file"))
    )


def _beside(file: Path, named: str | None) -> str | None:
    """A relative name is meant beside the file that names it, not in whatever folder the command was typed."""
    return None if named is None else str(file.parent / Path(named).expanduser())
