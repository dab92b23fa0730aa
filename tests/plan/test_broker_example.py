"""The example broker, started as it stands but for its port and its paths: who may say what is tried on it."""

import shutil
import socket
import subprocess
import time
from collections.abc import Iterator
from pathlib import Path

import aiomqtt
import pytest

EXAMPLES = Path(__file__).parents[2] / "examples"
MOSQUITTO = shutil.which("mosquitto", path="/usr/sbin:/usr/local/sbin:/usr/bin:/usr/local/bin")
ACCOUNTS = ("bench-a", "bench-b", "viewer", "operator")

pytestmark = [pytest.mark.slow, pytest.mark.skipif(MOSQUITTO is None, reason="Mosquitto is not installed")]


@pytest.fixture(scope="module")
def port(tmp_path_factory: pytest.TempPathFactory) -> Iterator[int]:
    """A broker with the example's settings; every account's password is its name."""
    assert MOSQUITTO is not None
    folder = tmp_path_factory.mktemp("broker")
    with socket.create_server(("127.0.0.1", 0)) as taken:
        free = int(taken.getsockname()[1])
    acl = folder / "banderole.acl"
    acl.write_bytes((EXAMPLES / "acl").read_bytes())
    passwords = folder / "banderole.passwords"
    passwords.write_text("".join(f"{name}:{name}\n" for name in ACCOUNTS))
    for file in (acl, passwords):
        file.chmod(0o600)
    subprocess.run([Path(MOSQUITTO).parent.parent / "bin" / "mosquitto_passwd", "-U", passwords], check=True)
    settings = (EXAMPLES / "broker.conf").read_text()
    for wanted, given in (
        ("\nlistener 1883 localhost\n", f"\nlistener {free} 127.0.0.1\n"),
        ("/etc/mosquitto/banderole.passwords\nacl_file", f"{passwords}\nacl_file"),
        ("acl_file /etc/mosquitto/banderole.acl", f"acl_file {acl}"),
    ):
        assert settings.count(wanted) == 1
        settings = settings.replace(wanted, given)
    file = folder / "broker.conf"
    file.write_text(settings + "\nuser root\n")  # as whoever runs the tests: the folder is theirs alone
    broker = subprocess.Popen([MOSQUITTO, "-c", file], stderr=subprocess.PIPE)
    try:
        _wait_for(free, broker)
        yield free
    finally:
        broker.terminate()
        broker.communicate(timeout=10)


def _wait_for(port: int, broker: subprocess.Popen[bytes]) -> None:
    until = time.monotonic() + 5
    while time.monotonic() < until:
        if broker.poll() is not None:
            pytest.fail(f"the example broker does not start: {broker.communicate()[1].decode()}")
        try:
            socket.create_connection(("127.0.0.1", port), 1).close()
            return
        except ConnectionRefusedError:
            time.sleep(0.02)
    pytest.fail("the example broker does not listen")


def client(port: int, account: str, password: str | None = None) -> aiomqtt.Client:
    return aiomqtt.Client(
        "127.0.0.1", port, username=account, password=password or account, protocol=aiomqtt.ProtocolVersion.V5
    )


@pytest.mark.parametrize(
    ("account", "topic", "heard"),
    [
        ("bench-a", "banderole/bench-a/run", True),
        ("bench-a", "banderole/bench-a/presence", True),
        ("bench-a", "banderole/bench-a/bands", True),
        ("bench-a", "banderole/bench-a/thermal", True),
        ("bench-a", "banderole/bench-a/event", True),
        ("bench-a", "banderole/bench-a/alarm", True),
        ("bench-a", "banderole/bench-a/reply", True),
        ("bench-a", "banderole/bench-a/reply/desk-1", True),
        ("bench-a", "banderole/bench-b/run", False),
        ("bench-a", "banderole/bench-a/command", False),
        ("operator", "banderole/bench-a/command", True),
        ("operator", "banderole/bench-a/run", False),
        ("viewer", "banderole/bench-a/command", False),
        ("viewer", "banderole/bench-a/alarm", False),
    ],
)
async def test_each_account_says_only_what_is_its_own(account: str, topic: str, heard: bool, port: int) -> None:
    """What is refused is followed by something that is not, so that nothing is waited for in vain."""
    async with client(port, "viewer") as looking, client(port, "bench-b") as other, client(port, account) as speaking:
        await looking.subscribe("banderole/#", qos=1)
        await speaking.publish(topic, "x", qos=1)
        await other.publish("banderole/bench-b/event", "last", qos=1)
        topics = []
        async for message in looking.messages:
            topics.append(str(message.topic))
            if message.payload == b"last":
                break
    assert topics == [topic] * heard + ["banderole/bench-b/event"]


async def test_a_printer_hears_its_own_commands_alone(port: int) -> None:
    async with client(port, "bench-a") as printer, client(port, "operator") as person:
        await printer.subscribe("banderole/+/command", qos=1)
        await person.publish("banderole/bench-b/command", "not yours", qos=1)
        await person.publish("banderole/bench-a/command", "yours", qos=1)
        async for message in printer.messages:
            assert message.payload == b"yours"
            break


async def test_nobody_comes_in_with_a_wrong_password(port: int) -> None:
    with pytest.raises(aiomqtt.MqttError, match=r"(?i)not authori[sz]ed"):
        async with client(port, "operator", "guess"):
            pass
