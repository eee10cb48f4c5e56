"""Whatever a device sends, no command writes a byte that acts on a terminal, nor reads markup."""

import signal

import pytest

from tests.support.rigs.devices.bluez import ADDRESS, PERIPHERAL
from tests.support.rigs.devices.pty_line import SpokenLine
from tests.support.rigs.live import live, wait_for
from tests.support.screens.reading import READING
from tests.support.screens.terminal import harmless

pytestmark = pytest.mark.slow

# ECMA-48: ESC and the C1 controls begin sequences; Unicode Standard Annex 9: characters that turn
# the direction of what follows. Rich reads words in brackets as markup.
WORDS = [
    b"\x1b[2J\x1b]0;owned\x07", b"[red]danger[/red]", "\u202egnp.exe\u200b".encode(),
    "\x9b31mC1".encode(), b"\x9b31m", b"\xff\xfe", b"A" * 3000, b"ok\x08\x08no", b"\x7f",
]  # fmt: skip
LINES = [
    *(b"U=13.5 I=4.0 MODE=" + word + b" RT=60\r\n" for word in WORDS),
    *(word + b"=1\r\n" for word in WORDS),
    *(word + b"\r\n" for word in WORDS),
    b"U=13.5 I=4.0 MODE=RUN RT=60\r\n",
]
SPEAKS = f"""\
import os, sys, time
while True:
    for line in {LINES!r}:
        os.write(int(sys.argv[1]), line)
        time.sleep(0.01)
"""
CONFIG = """\
[charger]
rated_w = 110
[fuel]
[store]
commit_s = 1
commit_rest_s = 1
[log]
interval_s = 0.1
[source]
kind = "serial"
port = "charger"
[source.decoder]
kind = "keyvalue"
[source.fields]
voltage_v = "U"
current_a = "I"
state = "MODE"
runtime_h = { from = "RT", unit = "min" }
[source.states]
RUN = "running"
"""


@pytest.fixture
def command(tmp_path, ebbwatt):
    """Return what runs a command and looks at the bytes of both its outputs."""

    def run(*arguments, status=0, **environment):
        done = ebbwatt(*arguments, cwd=tmp_path, env=environment, status=status, text=False)
        return harmless(done.stdout) + harmless(done.stderr)

    return run


def test_what_a_line_carries_is_harmless_in_every_command(tmp_path, command, start_daemon):
    (tmp_path / "ebbwatt.toml").write_text(CONFIG)
    (tmp_path / "device.toml").write_text(
        CONFIG[CONFIG.index("[source.dec") :].replace("source.", "")
    )
    line = SpokenLine(tmp_path / "charger", SPEAKS)
    try:
        probed = command("probe", "--seconds", "2", "--capture", "talk.jsonl")
        daemon = start_daemon(tmp_path)
        live(tmp_path, 60)
        watched = command("watch", "--once")
        daemon.send_signal(signal.SIGTERM)
        harmless(daemon.communicate(timeout=200)[1].encode("utf-8", "surrogateescape"))
    finally:
        line.unplug()
    for told in (probed, command("check", "device.toml", "--against", "talk.jsonl")):
        assert "[red]danger[/red]" in told, "no markup"
        assert r"\x1b[2J" in told, "shown, not sent"
        assert max(map(len, told.splitlines())) < 1000, "a long name is cut"
    assert "13.5" in watched
    harmless((tmp_path / "talk.jsonl").read_bytes())
    for arguments in (*READING, ("report", "--html", "page.html"), ("export", "-")):
        command(*arguments)
    assert "\x1b" not in (tmp_path / "page.html").read_text(encoding="utf-8")


def test_what_the_radio_brings_is_harmless_in_every_command(radio_boat, bluez, command):
    folder, start = radio_boat
    env = {"DBUS_SYSTEM_BUS_ADDRESS": bluez.address}
    evil = b"".join(WORDS).decode("utf-8", "replace").replace("\x00", "")
    text = {f"{uuid}-0000-1000-8000-00805f9b34fb": {"flags": ["read"], "value": evil.encode().hex()}
            for uuid in ("00002a24", "00002a29")}  # fmt: skip
    characteristics = PERIPHERAL["characteristics"] | text
    bluez.do(peripherals={ADDRESS: PERIPHERAL | {"name": evil, "characteristics": characteristics}})
    found = command("probe", "--scan", "--seconds", "2", **env)
    assert "[red]danger[/red]" in found
    looked = command("probe", "--scan", ADDRESS, "--seconds", "3", **env)
    assert "2A24 = " in looked
    assert max(map(len, (found + looked).splitlines())) < 1000
    # What BlueZ answers can hold the name; it is told in the journal and shown by the dashboard.
    daemon = start()
    live(folder, 5)
    bluez.do(failing={"Connect": 10**6}, failure=["Failed", evil], drop=True)
    wait_for(lambda: live(folder).link != "live")
    command("watch", "--once", "--config", str(folder / "ebbwatt.toml"))
    daemon.send_signal(signal.SIGTERM)
    harmless(daemon.communicate(timeout=200)[1].encode("utf-8", "surrogateescape"))
    told = command("probe", "--config", str(folder / "ebbwatt.toml"), status=1, **env)
    assert "[red]danger[/red]" in told


def test_a_label_that_acts_on_a_terminal_is_refused(tmp_path, command):
    evil = r'"\u001b[2Jowned\u009b31m"'
    (tmp_path / "ebbwatt.toml").write_text(CONFIG.replace("rated_w", f"label = {evil}\nrated_w"))
    for arguments in (["probe"], ["check"], ["report"], ["log"], ["watch", "--once"]):
        told = command(*arguments, status=2)
        assert "text without control characters" in told
    (tmp_path / "ebbwatt.toml").write_text(CONFIG + f"[source.device]\nlabel = {evil}\n")
    for arguments in (["probe", "--seconds", "1"], ["check"]):
        assert "text without control characters" in command(*arguments, status=2)


def test_names_of_files_in_errors_are_harmless(tmp_path, ebbwatt):
    (tmp_path / "ebbwatt.toml").write_text(CONFIG)
    evil = "a\x1b[2J\x9b31m\nb.csv"
    bad = tmp_path / evil
    bad.write_bytes(b"\xff\xfe\x00")
    for arguments in (
        ["import", evil], ["import", evil + "x"], ["check", evil], ["report", "--config", evil],
        ["check", "--against", evil], ["report", "--compare", evil], ["size", "--audit", evil],
        ["report", "--html", f"{evil}/x"], ["export", evil], ["backup", f"{evil}/x"],
    ):  # fmt: skip
        done = ebbwatt(*arguments, cwd=tmp_path, status=None, text=False)
        assert done.returncode in {0, 1, 2}
        harmless(done.stdout)
        harmless(done.stderr)
