"""What a live reading costs the processor: ``python -m tests.bench.daemon`` prints it.

The daemon runs on a pseudo-terminal, or against our own org.bluez; its processor time is what the
kernel counts for its threads (/proc/PID/task/*/schedstat, nanoseconds). Beside it stand the bare
libraries, which decode and store nothing. A benchmark, not a test: other work on the machine adds
to it, since a program that wakes once a second finds its data gone from the caches each time.
"""

import os
import subprocess
import sys
import tempfile
import time
from contextlib import contextmanager
from pathlib import Path

from logger.system.onlookers import Onlooker
from logger.system.snapshot import snapshot_path
from tests.conftest import ROOT
from tests.support.rigs.devices.bluez import ADDRESS, PERIPHERAL, BlueZ, Bus
from tests.support.rigs.devices.can_bus import Bus as CanBus
from tests.support.rigs.devices.modbus_tcp import Server, sunspec
from tests.support.rigs.devices.pty_line import PtyLine
from tests.support.rigs.devices.sensor_tree import SensorTree

#: A memory file system (tmpfs(5)); the file system of temporary files where there is none.
MEMORY = "/dev/shm" if Path("/dev/shm").is_dir() else None
CONFIG = """\
[charger]
rated_w = 110
[log]
interval_s = {spacing_s}
[source]
description = "{folder}/{description}.toml"
"""
SERIAL = 'kind = "serial"\nport = "charger"\n'
MODBUS_TCP = 'kind = "modbus_tcp"\nhost = "127.0.0.1"\nport = {port}\nallow_network = true\n'
CAN = 'kind = "can"\ninterface = "can0"\n'
HWMON = 'kind = "hwmon"\nroot = "hwmon"\n'
BLE = f'kind = "ble"\naddress = "{ADDRESS}"\n'
#: What the libraries alone take for a line a second, cut into numbers and dropped.
BARE_SERIAL = """\
import asyncio, serial, sys
async def main():
    port = serial.Serial(sys.argv[1], 9600, timeout=0)
    def ready():
        line = port.read(4096)
        dict(part.split(b"=") for part in line.split())
    asyncio.get_running_loop().add_reader(port.fileno(), ready)
    await asyncio.sleep(1e6)
asyncio.run(main())
"""
BARE_BLE = """\
import asyncio, sys
from bleak import BleakClient, BleakScanner
async def main():
    device = await BleakScanner.find_device_by_address(sys.argv[1])
    async with BleakClient(device) as client:
        for service in client.services:
            for characteristic in service.characteristics:
                await client.start_notify(characteristic, lambda _, data: bytes(data))
        await asyncio.sleep(1e6)
asyncio.run(main())
"""
START_S, LASTING_S = 6.0, 20.0


def processor_s(pid):
    """Return the processor time of a process and its threads so far, s."""
    tasks = Path(f"/proc/{pid}/task").iterdir()
    return sum(int((task / "schedstat").read_text().split()[0]) for task in tasks) / 1e9


@contextmanager
def started(folder, *arguments, **environment):
    """Start a program in a folder, and end it."""
    program = subprocess.Popen(
        [sys.executable, *arguments],
        cwd=folder,
        env=os.environ | {"PYTHONPATH": str(ROOT)} | environment,
        stderr=subprocess.DEVNULL,
    )
    try:
        yield program
    finally:
        program.terminate()
        program.wait()


def cost_ms(program, talk, rate_hz):
    """Return the processor time of a reading, ms, while ``talk`` lets the device speak."""
    talk(START_S)  # what starting costs is not what a reading costs
    began_s = processor_s(program.pid)
    talk(LASTING_S)
    return 1e3 * (processor_s(program.pid) - began_s) / (LASTING_S * rate_hz)


def serial_ms(rate_hz, *, watched=False, bare=False):
    """Return what a text line costs, ms of processor time."""
    # The snapshot lives on a memory file system, as under the service manager.
    with tempfile.TemporaryDirectory() as name, tempfile.TemporaryDirectory(dir=MEMORY) as memory:
        folder = Path(name)
        line = PtyLine(folder / "charger")
        configure(folder, SERIAL, "text-lines", rate_hz)
        os.environ["RUNTIME_DIRECTORY"] = memory
        person = Onlooker(snapshot_path(folder / "ebbwatt.db"))

        def talk(lasting_s):
            for k in range(round(lasting_s * rate_hz)):
                line.write(b"U=13.%02d I=8.00 MODE=RUN RT=48750 T=31.5\r\n" % (k % 5))
                if watched:
                    person.look()
                time.sleep(1.0 / rate_hz)

        arguments = ("-c", BARE_SERIAL, "charger") if bare else ("-m", "analysis", "log")
        with started(folder, *arguments) as program:
            cost = cost_ms(program, talk, rate_hz)
        person.close()
        line.unplug()
    return cost


def ble_ms(*, bare=False):
    """Return what three notifications cost that make one reading a second, ms."""
    with tempfile.TemporaryDirectory() as name, tempfile.TemporaryDirectory(dir=MEMORY) as memory:
        folder = Path(name)
        bus = Bus(folder)
        radio = BlueZ(bus.address, {ADDRESS: PERIPHERAL}, period_s=1.0)
        configure(folder, BLE, "ble-sig", 1.0)
        arguments = ("-c", BARE_BLE, ADDRESS) if bare else ("-m", "analysis", "log")
        environment = {"DBUS_SYSTEM_BUS_ADDRESS": bus.address, "RUNTIME_DIRECTORY": memory}
        with started(folder, *arguments, **environment) as program:
            cost = cost_ms(program, time.sleep, 1.0)
        radio.kill()
        bus.kill()
    return cost


def hwmon_ms():
    """Return what three attributes of a sensor cost that make one reading a second, ms."""
    with tempfile.TemporaryDirectory() as name, tempfile.TemporaryDirectory(dir=MEMORY) as memory:
        folder = Path(name)
        tree = SensorTree(folder / "hwmon")
        tree.put(in1=13200, curr1=8000, temp1=31500)
        configure(folder, HWMON, "hwmon-shunt", 1.0)
        with started(folder, "-m", "analysis", "log", RUNTIME_DIRECTORY=memory) as program:
            return cost_ms(program, time.sleep, 1.0)


def modbus_tcp_ms():
    """Return what two questions cost that make one reading a second, ms."""
    with tempfile.TemporaryDirectory() as name, tempfile.TemporaryDirectory(dir=MEMORY) as memory:
        folder = Path(name)
        server = Server(sunspec(), os.environ | {"PYTHONPATH": str(ROOT)})
        configure(folder, MODBUS_TCP.format(port=server.port), "sunspec", 1.0)
        with started(folder, "-m", "analysis", "log", RUNTIME_DIRECTORY=memory) as program:
            cost = cost_ms(program, time.sleep, 1.0)
        server.end()
    return cost


def can_ms():
    """Return what three frames cost that make one reading a second, ms, of eighty that come."""
    with tempfile.TemporaryDirectory() as name, tempfile.TemporaryDirectory(dir=MEMORY) as memory:
        folder = Path(name)
        configure(folder, CAN, "can-frames", 1.0)
        bus = CanBus(folder)
        module = ("-m", "tests.support.rigs.devices.can_bus", "log")
        with started(folder, *module, RUNTIME_DIRECTORY=memory) as program:
            cost = cost_ms(program, time.sleep, 1.0)
        bus.end()
    return cost


def configure(folder, source, description, rate_hz):
    """Write a configuration."""
    devices = ROOT / "fixtures/devices"
    text = CONFIG.format(spacing_s=1.0 / rate_hz, folder=devices, description=description)
    (folder / "ebbwatt.toml").write_text(text + source)


def main():
    """Print the costs."""
    rows = (
        ("serial, 1 reading a second", serial_ms(1.0)),
        ("the same while somebody watches", serial_ms(1.0, watched=True)),
        ("asyncio and pyserial alone", serial_ms(1.0, bare=True)),
        ("serial, 20 readings a second", serial_ms(20.0)),
        ("Bluetooth, 3 notifications a second for 1 reading", ble_ms()),
        ("bleak alone", ble_ms(bare=True)),
        ("Modbus TCP, 2 questions a second for 1 reading", modbus_tcp_ms()),
        ("CAN, 80 frames a second for 1 reading", can_ms()),
        ("hwmon, 3 attributes a second for 1 reading", hwmon_ms()),
    )
    for what, cost in rows:
        print(f"{what:50} {cost:5.2f} ms a reading")


if __name__ == "__main__":
    main()
