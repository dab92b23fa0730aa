"""The tables of the printer file that say who is told and what is put back: broker, restore, told.

Password and key files are only named here; ``link`` opens them and checks who may read them.
"""

import re
from typing import Annotated, Literal, Self
from urllib.parse import urlsplit

from pydantic import Field, Strict, StringConstraints, model_validator

from banderole.plan.refusal import Table, Wrong, shown


class BrokerSettings(Table):
    """The MQTT broker to tell."""

    url: str = Field(
        default="mqtt://localhost:1883", max_length=1024, description="mqtt://, mqtts://, ws:// or wss://HOST:PORT"
    )
    root: str = Field(default="banderole", min_length=1, max_length=200, description="topic above the printer's name")
    user: str | None = Field(default=None, min_length=1, max_length=200, description="user name at the broker")
    password_file: str | None = Field(default=None, min_length=1, description="path of a file of mode 0600")
    ca_file: str | None = Field(default=None, min_length=1, description="path of the authority's certificate")
    commands: Literal["off", "lenient", "signed"] = Field(
        default="lenient", description="what may come in over the broker"
    )
    keys_dir: str | None = Field(
        default=None, min_length=1, description="folder with one key file a person, for signed"
    )

    @model_validator(mode="after")
    def _fits(self) -> Self:
        _check_url(self.url)
        if re.search(r"[+#\x00-\x1f]|^[/$]|/$|//", self.root):
            raise Wrong(f"= {shown(self.root)} is no topic", "use letters, digits and single / between them", "root")
        if self.password_file is not None and self.user is None:
            raise Wrong("is given without a user", "add user", "password_file")
        if self.commands == "signed" and self.keys_dir is None:
            raise Wrong('= "signed" needs keys', "add keys_dir", "commands")
        return self


def _check_url(url: str) -> None:
    todo = "write mqtt://HOST:PORT (or mqtts, ws, wss)"
    try:
        parts = urlsplit(url)
        host, port = parts.hostname, parts.port
    except ValueError:
        raise Wrong(f"= {shown(url)} cannot be read", todo, "url") from None
    if parts.scheme not in ("mqtt", "mqtts", "ws", "wss") or not host or port == 0 or not url.isprintable():
        raise Wrong(f"= {shown(url)} names no broker", todo, "url")
    if parts.username is not None or parts.password is not None:
        raise Wrong("holds a user or a password", "move them to user and password_file", "url")


class Restore(Table):
    """What channels go back to where neither the printer nor the file tells."""

    flow: float = Field(default=100, gt=0, description="%")
    feed: float = Field(default=100, gt=0, description="%")
    advance: float | None = Field(default=None, ge=0, description="s; no default")
    retract: float | None = Field(default=None, ge=0, description="mm; no default")

    def of(self, channel: str) -> float | None:
        """The fallback for one channel; None where there is none (heat and fan go off instead)."""
        value = getattr(self, channel, None)
        return None if value is None else float(value)


class Told(Table):
    """A command that is told of what a person should know."""

    command: Annotated[tuple[Annotated[str, StringConstraints(pattern=r"^[^\x00]*$")], ...], Strict(False)] = Field(
        default=(), max_length=100, description='["program", "argument", …]; gets the event as JSON on stdin'
    )

    @model_validator(mode="after")
    def _has_program(self) -> Self:
        if self.command and not self.command[0]:
            raise Wrong("names no program", "put the program first", "command")
        return self
