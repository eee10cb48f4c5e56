"""The serial source on pseudo-terminals: what arrives, what is refused, and what never leaves."""

import asyncio
import contextlib
import os
import socket
import termios
import threading
import time

import pytest
import serial
from serial.rfc2217 import PortManager

from logger.errors import ConfigError, SourceError
from logger.reading import OperatingState
from logger.sources.link import port
from tests.support.rigs.devices.pty_line import PtyLine
from tests.support.rigs.devices.sources import source_from, take

pytestmark = pytest.mark.waits

TEXT = """
[source]
kind = "serial"
port = "{port}"
[source.decoder]
kind = "keyvalue"
[source.fields]
voltage_v = "U"
current_a = "I"
state = "MODE"
[source.states]
RUN = "running"
"""


@pytest.fixture
def line(tmp_path):
    line = PtyLine(tmp_path / "charger")
    yield line
    line.unplug()


def make(tmp_path, line, text=TEXT):
    return source_from(tmp_path, text.format(port=line.name))


def run(coroutine):
    return asyncio.run(coroutine)


async def talk(line, *pieces, pause_s=0.05):
    for piece in pieces:
        await asyncio.sleep(pause_s)
        line.write(piece)


def session(source, count, *coroutines):
    async def main():
        talking = [asyncio.create_task(c) for c in coroutines]
        try:
            return await take(source, count)
        finally:
            for task in talking:
                task.cancel()
            await asyncio.gather(*talking, return_exceptions=True)

    return run(main())


def test_lines_become_readings_with_the_boot_time_of_their_arrival(tmp_path, line):
    source = make(tmp_path, line)
    before_s = time.clock_gettime(time.CLOCK_BOOTTIME)
    [reading] = session(source, 1, talk(line, b"MODE=RUN\r\n", b"U=13.52 I=4.20 MODE=RUN\r\n"))
    after_s = time.clock_gettime(time.CLOCK_BOOTTIME)
    assert (reading.voltage_v, reading.current_a) == (13.52, 4.2)
    assert reading.state is OperatingState.RUNNING
    assert before_s <= reading.time_s <= after_s
    assert source.live


@pytest.mark.parametrize("url", ["spy://{port}", "SPY://{port}?file={file}", "spy:{port}"])
def test_a_port_url_that_writes_a_file_is_refused(tmp_path, line, url):
    """spy:// of pySerial writes what passes into the file that it names (its documentation)."""
    victim = tmp_path / "victim"
    victim.write_text("mine")
    text = TEXT.format(port=url.format(port=line.name, file=victim))
    if "://" in url:
        with pytest.raises(ConfigError, match=r"accepted: the path of a device, or one of alt://"):
            source_from(tmp_path, text)
    else:
        assert "there is no such port" in lost(source_from(tmp_path, text))
    assert victim.read_text() == "mine"


def test_another_kind_of_port_url(tmp_path, line):
    source = source_from(tmp_path, TEXT.format(port=f"alt://{line.name}"))
    lines = [b"\nU=13.52 I=4.20 MODE=RUN\n"] * 3
    got = session(source, 2, talk(line, *lines, pause_s=0.1))
    assert [r.voltage_v for r in got] == [13.52, 13.52]


def test_a_looped_port_hears_what_it_asks(tmp_path):
    # loop:// gives back what is written to it: the question is its own answer here.
    text = POLLED.format(port="loop://").replace('"V?\\r", {{', '"V?\\r", {')
    text = text.partition("[source.poll]")[0] + (
        '[source.poll]\nsend = ["13.52\\r\\n"]\nevery_s = 0.1\nanswer_s = 2\n'
    )
    text = text.replace('current_a = "amps"\n', "")
    got = session(source_from(tmp_path, text), 2)
    assert [r.voltage_v for r in got] == [13.52, 13.52]


def test_a_port_that_is_looked_for_and_not_found_is_told(tmp_path):
    source = source_from(tmp_path, TEXT.format(port="hwgrep://no such adapter"))
    assert lost(source).startswith("hwgrep://no such adapter: no ports found matching")


def test_a_port_that_is_looked_for_is_found(tmp_path, line, monkeypatch):
    # The list of ports is the machine's: this one has none, so the line is put on it.
    monkeypatch.setattr(
        "serial.tools.list_ports.grep", lambda words: iter([(str(line.name), words, "")])
    )
    source = source_from(tmp_path, TEXT.format(port="hwgrep://invented"))
    lines = [b"\nU=13.52 I=4.20 MODE=RUN\n"] * 3
    got = session(source, 2, talk(line, *lines, pause_s=0.1))
    assert [r.voltage_v for r in got] == [13.52, 13.52]


def test_a_bridge_on_usb_without_its_library_says_what_is_missing(tmp_path):
    source = source_from(tmp_path, TEXT.format(port="cp2110://0001-0002-03"))
    assert "pip install hidapi" in lost(source)


def test_bytes_one_at_a_time_and_a_cut_first_line(tmp_path, line):
    source = make(tmp_path, line)
    text = b"3.52 I=4.20 MODE=RUN\r\nU=13.52 I=4.20 MODE=RUN\r\n"
    pieces = [text[i : i + 1] for i in range(len(text))]
    [reading] = session(source, 1, talk(line, *pieces, pause_s=0.002))
    assert reading.voltage_v == 13.52
    assert source.refusals.total == 0  # the cut first line is no fault of the device


def test_nothing_is_ever_sent_without_a_poll(tmp_path, line):
    source = make(tmp_path, line)
    lines = [b"\nU=13.52 I=4.20 MODE=RUN\n"] * 5
    session(source, 4, talk(line, *lines))
    assert line.read() == b""


POLLED = """
[source]
kind = "serial"
port = "{port}"
[source.decoder]
kind = "csv"
columns = ["volts"]
[source.fields]
voltage_v = "volts"
current_a = "amps"
[source.poll]
send = ["V?\\r", {{ text = "I?\\r", columns = ["amps"] }}]
every_s = 0.1
answer_s = 0.2
"""


async def answer(line, answers, log):
    asked = b""
    while True:
        await asyncio.sleep(0.005)
        asked += line.read()
        while b"\r" in asked:
            question, _, asked = asked.partition(b"\r")
            log.append(question)
            reply = answers[question].pop(0) if answers[question] else None
            if reply is not None:
                line.write(reply)


def test_only_the_configured_questions_leave_and_answers_are_told_apart(tmp_path, line):
    # Long enough for a busy machine: an answer that is late by that would be counted.
    source = make(tmp_path, line, POLLED.replace("answer_s = 0.2", "answer_s = 5"))
    log = []
    answers = {b"V?": [b"13.5\r\n"] * 9, b"I?": [b"4.2\r\n"] * 9}
    got = session(source, 3, answer(line, answers, log))
    assert [(r.voltage_v, r.current_a) for r in got] == [(13.5, 4.2)] * 3
    assert set(log) == {b"V?", b"I?"}
    assert source.refusals.total == 0


def test_a_missing_answer_is_counted_and_the_next_round_goes_on(tmp_path, line):
    source = make(tmp_path, line, POLLED + "late_s = 0.3\n")
    log = []
    answers = {b"V?": [b"13.5\r\n", None, b"13.7\r\n"], b"I?": [b"4.2\r\n"] * 9}
    got = session(source, 2, answer(line, answers, log))
    assert [r.voltage_v for r in got] == [13.5, 13.7]
    assert source.refusals.by_reason["no answer"] == 1


def test_a_late_answer_is_not_taken_for_that_to_the_next_question(tmp_path, line):
    source = make(tmp_path, line, POLLED)

    async def slow_once():
        asked, first = b"", True
        while True:
            await asyncio.sleep(0.005)
            asked += line.read()
            while b"\r" in asked:
                question, _, asked = asked.partition(b"\r")
                if question == b"V?" and first:
                    first = False
                    await asyncio.sleep(0.3)  # later than answer_s
                line.write(b"13.5\r\n" if question == b"V?" else b"4.2\r\n")

    got = session(source, 2, slow_once())
    assert [(r.voltage_v, r.current_a) for r in got] == [(13.5, 4.2)] * 2


def test_a_line_that_gives_back_what_is_sent(tmp_path, line):
    source = make(tmp_path, line, POLLED + "echo = true\n")
    log = []
    answers = {b"V?": [b"V?\r13.5\r\n"] * 9, b"I?": [b"I?\r4.2\r\n"] * 9}
    got = session(source, 2, answer(line, answers, log))
    assert [(r.voltage_v, r.current_a) for r in got] == [(13.5, 4.2)] * 2
    assert source.refusals.total == 0


def lost(source, *coroutines):
    with pytest.raises(SourceError) as error:
        session(source, 99, *coroutines)
    return str(error.value)


# The faults of a port as pyserial 3.5 shows them, each one clear line.


def test_a_missing_port(tmp_path, line):
    line.unplug()
    assert "there is no such port" in lost(make(tmp_path, line))


def test_a_path_that_is_no_port(tmp_path, line):
    line.unplug()
    line.name.write_text("")
    assert "is not a serial port" in lost(make(tmp_path, line))
    line.name.unlink()
    line.name.mkdir()
    told = lost(make(tmp_path, line))
    assert told == f"{line.name}: is a folder; name a port in it, best one in /dev/serial/by-id/"
    line.name.rmdir()


def test_the_cable_pulled_while_waiting(tmp_path, line):
    async def pull():
        await line.opened()
        line.unplug()

    assert "the port is gone" in lost(make(tmp_path, line), pull())


def test_the_cable_pulled_while_the_port_is_configured(tmp_path, line, monkeypatch):
    plain = termios.tcgetattr

    def pulled(fd):
        line.unplug()
        return plain(fd)

    monkeypatch.setattr(termios, "tcgetattr", pulled)
    assert "the port is gone" in lost(make(tmp_path, line))


def test_the_cable_pulled_in_the_middle_of_a_line(tmp_path, line):
    async def pull():
        await line.opened()
        line.write(b"\nU=13.")
        line.unplug()

    assert "the port is gone" in lost(make(tmp_path, line), pull())


def test_the_cable_pulled_while_asking(tmp_path, line):
    async def pull():
        await line.asked()
        line.unplug()

    text = POLLED.replace("every_s = 0.1", "every_s = 0.02")
    assert "the port is gone" in lost(make(tmp_path, line, text), pull())


def test_a_port_that_another_program_holds(tmp_path, line):
    first, second = make(tmp_path, line), make(tmp_path, line)

    async def main():
        async with contextlib.aclosing(first.readings()) as readings:
            waiting = asyncio.create_task(anext(readings))
            await line.opened()
            # An open port is locked a little later; what gives a reading has locked it.
            while not waiting.done():
                line.write(b"\nU=13.5 I=4.2 MODE=RUN\n")
                await asyncio.sleep(0.02)
            assert (await waiting).voltage_v == 13.5
            with pytest.raises(SourceError, match="another program has the port open"):
                await take(second, 1)

    run(main())


def test_stopping_under_a_blocked_read_leaves_no_thread(tmp_path, line):
    source = make(tmp_path, line)

    async def main():
        with pytest.raises(TimeoutError):
            await take(source, 1, limit_s=0.3)
        assert not source._link.thread.is_alive()

    started = time.monotonic()
    run(main())
    assert time.monotonic() - started < 30.0, "the read would have waited for ever"


def test_a_program_that_steals_bytes_costs_lines_and_nothing_else(tmp_path, line):
    # The lock is advisory: a first opener without it is not noticed, and the bytes get split.
    source = make(tmp_path, line)
    thief = os.open(line.name, os.O_RDWR | os.O_NOCTTY | os.O_NONBLOCK)

    async def steal():
        for _ in range(40):
            await asyncio.sleep(0.005)
            with contextlib.suppress(BlockingIOError):
                os.read(thief, 7)
        os.close(thief)

    lines = [b"U=13.52 I=4.20 MODE=RUN\n"] * 60
    got = session(source, 3, steal(), talk(line, *lines))
    assert {(r.voltage_v, r.current_a) for r in got} == {(13.52, 4.2)}


def test_a_driver_that_does_not_come_back_is_left_behind_and_not_asked_twice(
    tmp_path, line, monkeypatch
):
    source = make(tmp_path, line)
    stuck = threading.Event()
    opened = []

    class Stuck:
        def open(self):
            opened.append(1)
            stuck.wait(60)
            raise OSError(5, "gave up")

        def close(self):
            pass

    monkeypatch.setattr(port, "make_port", lambda *_: Stuck())

    async def main():
        with pytest.raises(TimeoutError):
            await take(source, 1, limit_s=0.2)
        with pytest.raises(SourceError, match="still hangs in the driver"):
            await take(source, 1)
        stuck.set()
        source._link.thread.join(60)
        monkeypatch.undo()
        talking = asyncio.create_task(talk(line, *[b"\nU=13.52 I=4.20\n"] * 20))
        with contextlib.suppress(TimeoutError):
            await take(source, 1, limit_s=0.5)
        await talking

    run(main())
    assert len(opened) == 1, "a second thread would hang as well"


def test_a_network_port_needs_leave_and_then_works(tmp_path):
    text = TEXT.format(port="socket://127.0.0.1:{port}")

    async def serve(reader, writer):
        await asyncio.sleep(0.1)  # pyserial drops what arrives while it opens the port
        writer.write(b"\nU=13.52 I=4.20 MODE=RUN\n")
        await writer.drain()
        await asyncio.sleep(0.2)
        writer.close()

    async def main():
        server = await asyncio.start_server(serve, "127.0.0.1", 0)
        try:
            await talk(server)
        finally:
            server.close()

    async def talk(server):
        port = server.sockets[0].getsockname()[1]
        with pytest.raises(ConfigError, match="without encryption or authentication"):
            source_from(tmp_path, text.format(port=port))
        allowed = text.format(port=port).replace("[source]", "[source]\nallow_network = true")
        source = source_from(tmp_path, allowed)
        [reading] = await take(source, 1)
        assert reading.voltage_v == 13.52
        with pytest.raises(SourceError, match="the port is gone"):
            await take(source, 2)
        server.close()
        await server.wait_closed()
        with pytest.raises(SourceError, match="nobody listens"):
            await take(source, 1)

    run(main())


# pyserial 3.5 still says setDaemon() and setName().
TELNET = pytest.mark.filterwarnings(r"ignore:set(Daemon|Name)\(\):DeprecationWarning")


class Terminal(serial.Serial):
    """A pseudo-terminal, which has no modem lines; a server of RFC 2217 asks for them."""

    cts = dsr = ri = cd = False

    def _update_dtr_state(self):
        pass

    _update_rts_state = _update_dtr_state


class Telnet:
    """A server by the library's own half of RFC 2217, with the line behind it."""

    def __init__(self, line):
        self.sockets = socket.create_server(("127.0.0.1", 0))
        self.url = f"rfc2217://127.0.0.1:{self.sockets.getsockname()[1]}"
        self.line, self.peer = Terminal(str(line.name), timeout=0), None
        threading.Thread(target=self.serve, daemon=True).start()

    def write(self, data):
        self.peer.sendall(bytes(data))

    def serve(self):
        with contextlib.suppress(OSError):
            self.peer, _ = self.sockets.accept()
            manager = PortManager(self.line, self)
            self.peer.settimeout(0.02)
            while True:
                with contextlib.suppress(TimeoutError):
                    self.line.write(b"".join(manager.filter(self.peer.recv(1024))))
                self.write(b"".join(manager.escape(self.line.read(1024))))

    def close(self):
        self.sockets.close()
        self.peer.close()
        self.line.close()


@TELNET
def test_a_port_over_telnet_needs_leave_and_then_works(tmp_path, line):
    server = Telnet(line)
    text = TEXT.format(port=server.url)
    with pytest.raises(ConfigError, match="without encryption or authentication"):
        source_from(tmp_path, text)
    source = source_from(tmp_path, text.replace("[source]", "[source]\nallow_network = true"))
    lines = [b"\nU=13.52 I=4.20 MODE=RUN\n"] * 20
    got = session(source, 3, talk(line, *lines, pause_s=0.1))
    assert [r.voltage_v for r in got] == [13.52] * 3
    server.close()


@TELNET
def test_a_server_that_does_not_speak_telnet_is_told(tmp_path):
    with socket.create_server(("127.0.0.1", 0)) as mute:
        url = f"rfc2217://127.0.0.1:{mute.getsockname()[1]}"
        text = TEXT.format(port=url).replace("[source]", "[source]\nallow_network = true")
        assert lost(source_from(tmp_path, text)).startswith(f"{url}: ")


@pytest.mark.parametrize(
    ("change", "says"),
    [
        (('serial"\nport = ', 'serial"\nprot = '), "did you mean port?"),
        (("{port}", "rfc2217://boat:2217"), "without encryption or authentication"),
        (("{port}", "SOCKET://boat:2217"), "without encryption or authentication"),
        (
            ("{port}", "/dev/tty\\u0000\\u001b[31m"),
            r"got '/dev/tty\x00\x1b[31m'; accepted: text without control characters",
        ),
        (("{port}", "telegraph://x"), "accepted: the path of a device, or one of alt://"),
        (("keyvalue", "keyvalu"), "did you mean keyvalue?"),
        (("voltage_v =", "volt_v ="), "did you mean voltage_v?"),
        (('"running"', '"runing"'), "did you mean running?"),
        (("[source.fields]", "[source.line]\nbaud = 3\n[source.fields]"), "from 50 to 4000000"),
        (
            ("[source.fields]", '[source.line]\nparity = "evn"\n[source.fields]'),
            "did you mean even?",
        ),
        (("[source.fields]", "[source.poll]\nevery_s = 1\n[source.fields]"), "send"),
    ],
)
def test_errors_name_the_line_and_what_is_accepted(tmp_path, change, says):
    with pytest.raises(ConfigError) as error:
        source_from(tmp_path, TEXT.replace(*change))
    assert says in str(error.value)
    assert "line " in str(error.value)
