#!/usr/bin/python3
"""Runs inside the machine, by its own Python alone: shell commands come in as JSON lines on a virtio-serial port.

`{"cmd": …, "timeout": s}` is answered by `{"rc": …, "out": …}`. The first line says that it has begun, and how many
seconds after the kernel.
"""

import json
import os
import subprocess
import time

PORT = "/dev/virtio-ports/machine"
NOBODY_S = 0.05  # between looks while nobody has the other end open


def done(cmd, timeout):
    """A command run to its end, its two outputs in one."""
    try:
        ended = subprocess.run(
            ["/bin/bash", "-c", cmd], stdin=subprocess.DEVNULL, stdout=subprocess.PIPE, stderr=subprocess.STDOUT, timeout=timeout
        )  # fmt: skip
    except subprocess.TimeoutExpired as late:
        return {"rc": 124, "out": (late.stdout or b"").decode("utf-8", "replace")}
    return {"rc": ended.returncode, "out": ended.stdout.decode("utf-8", "replace")}


def say(fd, what):
    data = (json.dumps(what) + "\n").encode()
    while data:
        data = data[os.write(fd, data) :]


def main():
    while not os.path.exists(PORT):  # not bound to the device's unit: on a slow machine that gives up after 90 s
        time.sleep(NOBODY_S)
    fd = os.open(PORT, os.O_RDWR)
    with open("/proc/uptime") as uptime:
        say(fd, {"hello": float(uptime.read().split()[0])})
    waiting = b""
    while True:
        data = os.read(fd, 65536)
        if not data:
            time.sleep(NOBODY_S)
            continue
        *lines, waiting = (waiting + data).split(b"\n")
        for line in lines:
            asked = json.loads(line)
            say(fd, done(asked["cmd"], asked["timeout"]))


main()
