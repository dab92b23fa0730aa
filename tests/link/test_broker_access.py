"""Where a broker is and as whom: every refusal before anything is heated, in one line that shows no secret."""

from __future__ import annotations

import os
from pathlib import Path

import pytest
from banderole.link.broker import reply_topic
from banderole.link.broker_access import AccessRefused, Credentials, is_this_host, open_access, user_credentials

SECRET = "correct horse"
NOBODY = Credentials()


@pytest.fixture
def password(tmp_path: Path) -> Path:
    made = tmp_path / "password"
    made.write_text(f"{SECRET}\n")
    made.chmod(0o600)
    return made


def refused(url: str, credentials: Credentials = NOBODY) -> str:
    with pytest.raises(AccessRefused) as caught:
        open_access(url, credentials)
    assert "\n" not in str(caught.value)
    assert SECRET not in str(caught.value)
    return str(caught.value)


@pytest.mark.parametrize(
    ("url", "port", "transport", "tls", "path"),
    [
        ("mqtt://localhost", 1883, "tcp", False, "/mqtt"),
        ("mqtts://broker.example", 8883, "tcp", True, "/mqtt"),
        ("ws://[::1]:9001/", 9001, "websockets", False, "/mqtt"),
        ("wss://broker.example/told", 443, "websockets", True, "/told"),
    ],
)
def test_a_url_says_how(url: str, port: int, transport: str, tls: bool, path: str) -> None:
    """Ports: IANA's registry for mqtt and secure-mqtt, RFC 6455 §3 for ws and wss."""
    access = open_access(url, Credentials())
    assert (access.port, access.transport, access.tls, access.path) == (port, transport, tls, path)
    assert access.user is None
    assert access.password is None


@pytest.mark.parametrize(
    "url", ["", "localhost", "http://a", "mqtt://", "mqtt://a:0", "mqtt://a:b", "mqtt://u:p@a", "mqtt://[::1"]
)
def test_a_url_that_names_no_broker(url: str) -> None:
    assert "names no broker" in refused(url)


def test_a_password_is_read_and_never_shown(password: Path) -> None:
    access = open_access("mqtt://127.0.0.1", Credentials("bench-a", str(password)))
    assert access.password == SECRET
    assert SECRET not in repr(access)


@pytest.mark.parametrize("mode", [0o640, 0o604, 0o620, 0o666])
def test_a_password_others_can_read_is_refused(password: Path, mode: int) -> None:
    password.chmod(mode)
    assert "chmod 600" in refused("mqtt://localhost", Credentials("a", str(password)))


def test_a_password_does_not_go_open_to_another_host(password: Path) -> None:
    credentials = Credentials("a", str(password))
    for url in ("mqtt://broker.example", "ws://192.0.2.7", "mqtt://localhost.example"):  # RFC 5737, RFC 2606
        assert "mqtts://" in refused(url, credentials)
    assert open_access("mqtts://broker.example", credentials).password == SECRET
    assert open_access("mqtt://broker.example", Credentials("a")).password is None


@pytest.mark.parametrize("content", [b"", b"\n", b"a\nb\n", b"\xff\xfe", b"x" * 5000])
def test_what_holds_no_password(password: Path, content: bytes) -> None:
    password.write_bytes(content)
    assert "holds no password" in refused("mqtt://localhost", Credentials("a", str(password)))


def test_what_cannot_be_read(password: Path, tmp_path: Path) -> None:
    assert "cannot be read" in refused("mqtt://localhost", Credentials("a", str(tmp_path / "absent")))
    assert "cannot be read" in refused("mqtts://localhost", Credentials(ca_file=str(tmp_path / "absent")))
    assert "without a user" in refused("mqtt://localhost", Credentials(None, str(password)))
    os.mkfifo(tmp_path / "pipe", 0o600)
    assert "no file" in refused("mqtt://localhost", Credentials("a", str(tmp_path / "pipe")))
    (tmp_path / "folder").mkdir(mode=0o700)
    assert "folder" in refused("mqtt://localhost", Credentials("a", str(tmp_path / "folder")))


@pytest.mark.parametrize("host", ["localhost", "a.localhost", "127.0.0.1", "127.9.9.9", "::1"])
def test_this_host(host: str) -> None:
    assert is_this_host(host)


@pytest.mark.parametrize("host", ["0.0.0.0", "128.0.0.1", "localhost.example", "127.0.0.1.example", "::2"])
def test_not_this_host(host: str) -> None:
    assert not is_this_host(host)


def test_the_users_own_file(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setenv("XDG_CONFIG_HOME", str(tmp_path))
    assert user_credentials() == Credentials()
    file = tmp_path / "banderole" / "client.toml"
    file.parent.mkdir()
    file.write_text('user = "anna"\npassword_file = "secret"\nca_file = "/etc/ca.pem"\n')
    assert user_credentials() == Credentials("anna", str(file.parent / "secret"), "/etc/ca.pem")
    for wrong, says in [('name = "a"', "unknown key name"), ("user = 7", "must be text"), ("user", "not TOML")]:
        file.write_text(wrong)
        with pytest.raises(AccessRefused, match=says):
            user_credentials()


@pytest.mark.parametrize(
    ("response", "where"),
    [
        (None, "yard/a/reply"),
        ("", "yard/a/reply"),
        ("me/answers", "me/answers"),
        ("yard/a/reply/7f", "yard/a/reply/7f"),
        ("yards/b", "yards/b"),
        # MQTT 5.0 §3.3.2-14 (no wildcards), §4.7.2 ($ topics are the broker's)
        ("me/+", "yard/a/reply"),
        ("me/#", "yard/a/reply"),
        ("$SYS/x", "yard/a/reply"),
        ("me\n", "yard/a/reply"),
        ("x" * 600, "yard/a/reply"),
        # Nobody who may only command has us speak where others believe us.
        ("yard", "yard/a/reply"),
        ("yard/a/run", "yard/a/reply"),
        ("yard/b/command", "yard/a/reply"),
        ("yard/a/replying", "yard/a/reply"),
    ],
)
def test_where_a_reply_goes(response: str | None, where: str) -> None:
    assert reply_topic(response, "yard", "yard/a") == where


@pytest.mark.parametrize("mode", [0o400, 0o440, 0o600])
def test_a_credential_of_the_service_manager_is_read(
    password: Path, mode: int, monkeypatch: pytest.MonkeyPatch
) -> None:
    """The one who may read it is in an access list: its mask shows as the group's bits (acl(5), systemd.exec(5))."""
    password.chmod(mode)
    monkeypatch.setenv("CREDENTIALS_DIRECTORY", str(password.parent))
    assert open_access("mqtt://127.0.0.1", Credentials("bench-a", str(password))).password == SECRET


@pytest.mark.parametrize("mode", [0o404, 0o444, 0o460])
def test_a_credential_that_others_can_read_or_change_is_refused(
    password: Path, mode: int, monkeypatch: pytest.MonkeyPatch
) -> None:
    password.chmod(mode)
    monkeypatch.setenv("CREDENTIALS_DIRECTORY", str(password.parent))
    assert "others can read" in refused("mqtt://127.0.0.1", Credentials("bench-a", str(password)))


@pytest.mark.parametrize("folder", ["", "relative", "/", "/run/credentials/another.service"])
def test_outside_the_credentials_a_password_is_the_owners_alone(
    password: Path, folder: str, monkeypatch: pytest.MonkeyPatch
) -> None:
    password.chmod(0o440)
    monkeypatch.setenv("CREDENTIALS_DIRECTORY", folder)
    assert "others can read" in refused("mqtt://127.0.0.1", Credentials("bench-a", str(password)))
