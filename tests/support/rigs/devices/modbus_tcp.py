"""A Modbus TCP device written by others (pymodbus), and a wire to it that can be spoiled."""

import asyncio
import re
import struct
import subprocess
import sys
import threading

from tests.support.rigs.devices.bluez import die_with_parent

#: Serves registers, given as a dictionary of first register to values, on a free port.
SERVES = """\
import asyncio, json, socket, sys
from pymodbus.server import ModbusTcpServer
from pymodbus.simulator import DataType, SimData, SimDevice
made = json.loads(sys.argv[1])
data = [SimData(int(at), values=v, datatype=DataType.REGISTERS) for at, v in made.items()]
free = socket.socket()
free.bind(("127.0.0.1", 0))
port = free.getsockname()[1]
free.close()
async def main():
    server = ModbusTcpServer(SimDevice(id=1, simdata=data), address=("127.0.0.1", port))
    await server.listen()
    print(port, flush=True)
    await server.serving
asyncio.run(main())
"""


class Server:
    """pymodbus with the given registers, in a process of its own."""

    def __init__(self, registers, env):
        import json

        self.process = subprocess.Popen(
            [sys.executable, "-c", SERVES, json.dumps(registers)],
            stdout=subprocess.PIPE,
            text=True,
            env=env,
            preexec_fn=die_with_parent,  # noqa: PLW1509 - sets one flag
        )
        self.port = int(self.process.stdout.readline())

    def end(self):
        self.process.kill()
        self.process.communicate()


class Wire:
    """Carries bytes between the logger and a server; ``spoil`` may change what is answered.

    ``spoil`` gets each answer, its number from 0, and the wire; it returns a list of pieces: bytes
    to write, a number of seconds to wait, or None to break the connection.

    Attributes
    ----------
    port
        Where it listens, on loopback.
    asked
        Every question that came, whole.
    up
        False: connections are refused until it is True again.
    """

    def __init__(self, server_port, spoil=lambda answer, _number, _wire: [answer]):
        self.server_port, self.spoil = server_port, spoil
        self.asked, self.number, self.up = [], 0, True
        self._ready = threading.Event()
        self._thread = threading.Thread(target=self._run, daemon=True)
        self._thread.start()
        assert self._ready.wait(30)

    def _run(self):
        asyncio.run(self._main())

    async def _main(self):
        self._loop = asyncio.get_running_loop()
        self._ended = asyncio.Event()
        self._tasks = set()
        server = await asyncio.start_server(self._serve, "127.0.0.1", 0)
        self.port = server.sockets[0].getsockname()[1]
        self._ready.set()
        await self._ended.wait()
        server.close()
        for task in self._tasks:
            task.cancel()
        await asyncio.gather(*self._tasks, return_exceptions=True)

    def end(self):
        self._loop.call_soon_threadsafe(self._ended.set)
        self._thread.join()

    def cut(self):
        """Break every connection, and refuse others until :meth:`mend`."""
        self.up = False
        self._loop.call_soon_threadsafe(lambda: [task.cancel() for task in self._tasks])

    def mend(self):
        self.up = True

    async def _serve(self, reader, writer):
        self._tasks.add(task := asyncio.current_task())
        try:
            if self.up:
                await self._carry(reader, writer)
        except (OSError, EOFError, asyncio.CancelledError):
            pass
        finally:
            self._tasks.discard(task)
            writer.transport.abort()

    async def _carry(self, reader, writer):
        to, back = await asyncio.open_connection("127.0.0.1", self.server_port)
        late = set()
        try:
            while True:
                question = await whole(reader)
                self.asked.append(question)
                back.write(question)
                answer = await whole(to)
                number, self.number = self.number, self.number + 1
                late.add(asyncio.ensure_future(self._answer(writer, answer, number)))
        finally:
            for task in late:
                task.cancel()
            back.transport.abort()

    async def _answer(self, writer, answer, number):
        for piece in self.spoil(answer, number, self):
            if piece is None:
                writer.transport.abort()
            elif isinstance(piece, bytes):
                writer.write(piece)
            else:
                await asyncio.sleep(piece)


async def whole(reader):
    """Read one MBAP frame."""
    head = await reader.readexactly(6)
    return head + await reader.readexactly(struct.unpack(">H", head[4:])[0])


def text(words, count):
    """Return a text as registers of SunSpec: filled with zeros."""
    return list(struct.unpack(f">{count}H", words.encode().ljust(2 * count, b"\0")))


def sunspec(base=40000, *, volts=1320, amps=800, scales=(-2, -2), state=3, ports=1):
    """Return the registers of a SunSpec device: models 1, 701, 714 and the end.

    Lengths by the published models: 66, 153, 18 and 25 for each port.
    """
    common = [1, 66, *text("Invented", 16), *text("Charger 110", 16), *[0] * 34]
    inverter = [701, 153, 0, 1, state, 1, *[0] * 149]
    head = [714, 18 + 25 * ports, 0, 0, ports, amps, 10560, *[0] * 8]
    head += [scales[0] & 0xFFFF, scales[1] & 0xFFFF, 0xFFFE, 0, 0xFFFF]
    port = [3, 0, *text("output", 8), amps, volts, 10560, *[0] * 8, 0x8000, 1, 0, 0]
    words = [*struct.unpack(">2H", b"SunS"), *common, *inverter, *head, *port]
    for _ in range(ports - 1):
        words += [1, 0, *text("spare", 8), 0x8000, 0xFFFF, 0x8000, *[0] * 8, 0x8000, 0, 0, 0]
    return {base: [*words, 0xFFFF, 0]}


SOURCE = """\
[source]
kind = "modbus_tcp"
host = "127.0.0.1"
port = {port}
allow_network = true
"""


#: Two questions whose answers look alike: a late one could pass for the other.
TWO_ALIKE = """\
[decoder]
kind = "modbus"
[decoder.registers]
volts = {{ at = 0 }}
amps = {{ at = 200 }}
[poll]
every_s = {every_s}
answer_s = {answer_s}
[fields]
voltage_v = {{ from = "volts", scale = 0.01 }}
current_a = {{ from = "amps", scale = 0.01 }}
[timing]
first_wait_s = {first_wait_s}
"""


SLOW = {"every_s": 1.0, "answer_s": 1.0, "first_wait_s": 1.0}


QUICK = {"every_s": 0.05, "answer_s": 0.15, "first_wait_s": 0.05}


def inside(text):
    return re.sub(r"(?m)^\[", "[source.", text)
