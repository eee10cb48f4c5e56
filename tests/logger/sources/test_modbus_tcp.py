"""Modbus TCP: its frames by published bytes, any bytes at all, and what the settings allow."""

import asyncio
import random

import pytest

from logger.errors import ConfigError, SourceError
from logger.refusals import Refusals
from logger.sources.decoders.modbus import Block, request
from logger.sources.link import tcp
from logger.sources.link.tcp import TcpLink
from tests.support.rigs.devices.modbus_tcp import QUICK, SOURCE, TWO_ALIKE, inside
from tests.support.rigs.devices.sources import source_from


def test_a_question_by_published_bytes():
    # MODBUS Messaging on TCP/IP Implementation Guide V1.0b, 3.1.3: transaction, protocol 0, length
    # of what follows, unit. The question itself: function 3, register 0x6B, 3 registers, as in the
    # Modbus Application Protocol V1.1b3, 6.3 (both from memory).
    sent = []

    class Tube:
        def send(self, data):
            sent.append(data)
            return len(data)

    async def main():
        link = TcpLink("127.0.0.1", 502, Refusals())
        with pytest.raises(SourceError, match="not connected"):
            await link.send(b"")
        link._socket = Tube()
        for _ in range(2):
            await link.send(request(0x11, Block(3, 0x6B, 3, ())))
        link._transaction = 0xFFFF
        await link.send(request(0x11, Block(3, 0x6B, 3, ())))
        link._socket = None

    asyncio.run(main())
    assert [frame.hex() for frame in sent] == [
        "0001000000061103006b0003", "0002000000061103006b0003", "0000000000061103006b0003",
    ]  # fmt: skip


class FullTube:
    """A connection that takes nothing, or half."""

    def __init__(self, taken):
        self.taken = taken

    def send(self, _data):
        if isinstance(self.taken, Exception):
            raise self.taken
        return self.taken


@pytest.mark.parametrize(
    ("taken", "says"),
    [(BlockingIOError(), "takes no more"), (5, "takes no more"),
     (ConnectionResetError(104, "x"), "broke the connection")],
)  # fmt: skip
def test_a_connection_that_takes_no_question_is_lost(taken, says):
    async def main():
        link = TcpLink("127.0.0.1", 502, Refusals())
        link._socket = FullTube(taken)
        with pytest.raises(SourceError, match=says):
            await link.send(bytes(8))
        link._socket = None

    asyncio.run(main())


def test_any_bytes_at_all_end_in_answers_or_a_lost_connection():
    rng = random.Random(20261129)

    class Tube:
        def recv(self, _most):
            size = rng.randint(1, 40)
            start = rng.choice([b"", b"\x00\x01\x00\x00\x00\x05\x01\x03\x02\x05\x28", bytes(6)])
            return start + rng.randbytes(size)

        def fileno(self):
            return -1

    async def main():
        asyncio.get_running_loop().remove_reader = lambda _fd: None
        answers = lost = 0
        for _ in range(3000):
            refusals = Refusals()
            link = TcpLink("127.0.0.1", 502, refusals)
            link._socket, link._transaction, link._awaited = Tube(), 1, True
            for _ in range(4):
                link._readable(link._socket)
                assert len(link._waiting) <= 4 * 60
            with pytest.raises(SourceError) if refusals.total else _nothing():
                while (chunk := link.inbox.taken()) is not None:
                    answers += 1
                    assert chunk[1][:-2] == b"\x01\x03\x02\x05\x28" or len(chunk[1]) >= 4
            lost += refusals.by_reason.get("no Modbus TCP", 0) > 0
        return answers, lost

    answers, lost = asyncio.run(main())
    assert answers > 500
    assert lost > 1000


def test_answers_that_nobody_asked_for_are_told_as_what_they_are():
    answers = b"\x7f\xff\x00\x00\x00\x05\x01\x03\x02\x05\x28" * (tcp.MOST_STRAYS + 1)

    class Tube:
        def recv(self, _most):
            return answers

        def fileno(self):
            return -1

    async def main():
        asyncio.get_running_loop().remove_reader = lambda _fd: None
        refusals = Refusals()
        link = TcpLink("127.0.0.1", 502, refusals)
        link._socket = Tube()
        link._readable(link._socket)
        with pytest.raises(SourceError, match=r"^65 answers in a row that nobody asked for$"):
            link.inbox.taken()
        assert refusals.by_reason == {"answer to another transaction": 65}

    asyncio.run(main())


def _nothing():
    import contextlib

    return contextlib.suppress(SourceError)


# --- settings ------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("old", "new", "says"),
    [
        ("allow_network = true\n", "", "Set allow_network = true if that is acceptable"),
        ('"127.0.0.1"', '"tcp://127.0.0.1"', "accepted: an address such as 192.0.2.10, or a name"),
        ("port = 502", "port = 0", "port: got 0; accepted: a whole number from 1 to 65535"),
        ('host = "127.0.0.1"\n', "", "host is missing"),
        ("[source.timing]", "[source.line]\nbaud = 9600\n[source.timing]", "line: is not a known"),
        ("volts = { at = 0 }", "volts = { at = 0, function = 6 }", "nothing is ever written"),
    ],
)  # fmt: skip
def test_settings_that_cannot_work_say_why(tmp_path, old, new, says):
    text = SOURCE.format(port=502) + inside(TWO_ALIKE.format(**QUICK))
    assert old in text
    with pytest.raises(ConfigError) as caught:
        source_from(tmp_path, text.replace(old, new))
    assert says in str(caught.value)
    assert "ebbwatt.toml" in str(caught.value)


def test_a_description_of_something_else_says_why(tmp_path):
    source = SOURCE.format(port=502) + 'description = "device.toml"\n'
    text = '[decoder]\nkind = "keyvalue"\n[fields]\nvoltage_v = "U"\n'
    (tmp_path / "device.toml").write_text(text)
    with pytest.raises(ConfigError, match="got 'keyvalue'; accepted here: modbus, sunspec"):
        source_from(tmp_path, source)
    lined = TWO_ALIKE.format(**QUICK) + "[line]\nbaud = 9600\n"
    (tmp_path / "device.toml").write_text(lined)
    with pytest.raises(ConfigError, match="line: has no meaning over TCP; leave it out"):
        source_from(tmp_path, source)


def test_unit_numbers_beyond_those_of_a_line_are_for_tcp_alone(tmp_path):
    text = inside(TWO_ALIKE.format(**QUICK)).replace('"modbus"\n', '"modbus"\nunit = 255\n')
    source_from(tmp_path, SOURCE.format(port=502) + text)
    with pytest.raises(ConfigError, match="accepted on a serial line: 1 to 247"):
        source_from(tmp_path, '[source]\nkind = "serial"\nport = "x"\n' + text)
