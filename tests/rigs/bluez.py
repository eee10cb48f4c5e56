"""An org.bluez of our own on a private message bus: enough of BlueZ for bleak's Linux backend.

No radio and no bluetoothd are needed; bleak runs unchanged. The radio is a table of peripherals,
each with its characteristics; faults are set on it as plain attributes. Runs in a process of its
own (``python -m tests.rigs.bluez``), commanded by JSON lines on its standard input, so that it can
be killed like the real one.
"""

import asyncio
import contextlib
import ctypes
import json
import os
import subprocess
import sys
from pathlib import Path

from dbus_fast import Message, MessageType, Variant
from dbus_fast.aio import MessageBus

BUS_CONFIG = """<!DOCTYPE busconfig PUBLIC "-//freedesktop//DTD D-Bus Bus Configuration 1.0//EN"
 "http://www.freedesktop.org/standards/dbus/1.0/busconfig.dtd">
<busconfig><type>session</type><listen>unix:path={socket}</listen><auth>EXTERNAL</auth>
<policy context="default"><allow own="*"/><allow send_destination="*"/><allow eavesdrop="true"/>
</policy></busconfig>"""
MANAGER = "org.freedesktop.DBus.ObjectManager"
PROPERTIES = "org.freedesktop.DBus.Properties"
ADAPTER = "/org/bluez/hci0"
#: Generic Attribute Profile, which nearly every device has.
SERVICE = "00001801-0000-1000-8000-00805f9b34fb"
#: D-Bus type of each property that BlueZ shows.
TYPES = {
    "RSSI": "n", "MTU": "q", "Value": "ay", "UUIDs": "as", "Flags": "as", "Roles": "as",
    "Adapter": "o", "Device": "o", "Service": "o", "Powered": "b", "Discovering": "b",
    "Connected": "b", "ServicesResolved": "b", "Paired": "b", "Primary": "b", "Notifying": "b",
}  # fmt: skip


def interface(name):
    return f"org.bluez.{name}1"


def with_types(values):
    return {k: Variant(TYPES.get(k, "s"), v) for k, v in values.items()}


def die_with_parent():
    # PR_SET_PDEATHSIG: a killed test must leave nothing behind.
    ctypes.CDLL(None).prctl(1, 9)


@contextlib.contextmanager
def private_bus(folder: Path):
    """Run a message bus; yield its address."""
    config = folder / "bus.conf"
    config.write_text(BUS_CONFIG.format(socket=folder / "bus"))
    process = subprocess.Popen(
        ["dbus-daemon", f"--config-file={config}", "--nofork", "--print-address=1"],
        stdout=subprocess.PIPE,
        stderr=subprocess.DEVNULL,
        text=True,
        preexec_fn=die_with_parent,  # noqa: PLW1509 - sets one flag, before any thread
    )
    try:
        yield process.stdout.readline().strip()
    finally:
        process.kill()
        process.wait()
        process.stdout.close()


class Radio:
    """Everything that org.bluez shows, and the peripherals within reach."""

    def __init__(self, peripherals, period_s):
        self.peripherals = peripherals
        self.period_s = period_s
        self.shown = {
            ADAPTER: {
                interface("Adapter"): {
                    "Address": "00:00:00:00:00:01", "Alias": "rig", "Powered": True,
                    "Discovering": False, "Roles": ["central"],
                }
            }
        }  # fmt: skip
        self.calls = []
        self.silent = False
        self.hanging = set()
        self.failing = {}
        self.tasks = []

    async def start(self):
        self.bus = await MessageBus().connect()
        self.bus.add_message_handler(self.handle)
        await self.bus.request_name("org.bluez")
        self.tasks.append(asyncio.ensure_future(self.live()))

    # --- the world ---------------------------------------------------------------------------

    def path(self, address):
        return f"{ADAPTER}/dev_{address.replace(':', '_')}"

    async def live(self):
        """Advertise while somebody scans, and notify subscribers, again and again."""
        while True:
            await asyncio.sleep(self.period_s)
            adapter = self.shown[ADAPTER][interface("Adapter")]
            for address, peripheral in self.peripherals.items():
                path = self.path(address)
                device = self.shown.get(path, {}).get(interface("Device"))
                if adapter["Discovering"] and adapter["Powered"]:
                    if device is None:
                        self.show(path, "Device", self.device(address, peripheral))
                    elif not device["Connected"]:
                        self.change(path, "Device", RSSI=-61)
                if device is not None and device["Connected"] and not self.silent:
                    self.notify(path, peripheral)

    def device(self, address, peripheral):
        return {
            "Address": address, "AddressType": "public", "Name": peripheral["name"],
            "Alias": peripheral["name"], "Adapter": ADAPTER, "Paired": False, "Connected": False,
            "ServicesResolved": False, "UUIDs": [SERVICE], "RSSI": -60,
        }  # fmt: skip

    def notify(self, device_path, peripheral):
        for path, interfaces in list(self.shown.items()):
            values = interfaces.get(interface("GattCharacteristic"))
            if values and path.startswith(device_path) and values["Notifying"]:
                data = bytes.fromhex(peripheral["characteristics"][values["UUID"]]["value"])
                self.change(path, "GattCharacteristic", Value=data)

    def drop(self, path):
        """Lose the link: the GATT objects vanish, the device stays known."""
        device = self.shown.get(path, {}).get(interface("Device"))
        if device is None or not device["Connected"]:
            return
        self.change(path, "Device", ServicesResolved=False)
        for below in [p for p in self.shown if p.startswith(path + "/")]:
            interfaces = list(self.shown.pop(below))
            self.signal("/", MANAGER, "InterfacesRemoved", "oas", [below, interfaces])
        self.change(path, "Device", Connected=False)

    def drop_all(self):
        for address in self.peripherals:
            self.drop(self.path(address))

    # --- what the bus shows ------------------------------------------------------------------

    def show(self, path, name, values):
        self.shown.setdefault(path, {})[interface(name)] = values
        added = {interface(name): with_types(values)}
        self.signal("/", MANAGER, "InterfacesAdded", "oa{sa{sv}}", [path, added])

    def change(self, path, name, **values):
        self.shown[path][interface(name)].update(values)
        body = [interface(name), with_types(values), []]
        self.signal(path, PROPERTIES, "PropertiesChanged", "sa{sv}as", body)

    def signal(self, path, iface, member, signature, body):
        self.bus.send(Message.new_signal(path, iface, member, signature, body))

    def handle(self, message):
        if message.message_type is not MessageType.METHOD_CALL:
            return None
        if not (message.interface or "").startswith(("org.bluez.", MANAGER, PROPERTIES)):
            return None
        self.calls.append(message.member)
        if message.member in self.hanging:
            return True
        if self.failing.get(message.member, 0) > 0:
            self.failing[message.member] -= 1
            return Message.new_error(message, "org.bluez.Error.InProgress", "busy")
        answer = getattr(self, f"on_{message.member}")(message.path, *message.body)
        if isinstance(answer, Exception):
            return Message.new_error(message, "org.bluez.Error.Failed", str(answer))
        return Message.new_method_return(message, *(answer or ()))

    # --- methods, by their D-Bus names -------------------------------------------------------

    def on_GetManagedObjects(self, path):
        tree = {
            p: {name: with_types(values) for name, values in interfaces.items()}
            for p, interfaces in self.shown.items()
        }
        return "a{oa{sa{sv}}}", [tree]

    def on_SetDiscoveryFilter(self, path, filters):
        return None

    def on_StartDiscovery(self, path):
        if not self.shown[ADAPTER][interface("Adapter")]["Powered"]:
            return RuntimeError("Not Ready")
        self.change(path, "Adapter", Discovering=True)
        return None

    def on_StopDiscovery(self, path):
        self.change(path, "Adapter", Discovering=False)

    def on_Connect(self, path):
        address = self.shown[path][interface("Device")]["Address"]
        self.change(path, "Device", Connected=True)
        service = f"{path}/service0010"
        self.show(service, "GattService", {"UUID": SERVICE, "Device": path, "Primary": True})
        for number, (uuid, entry) in enumerate(
            self.peripherals[address]["characteristics"].items()
        ):
            values = {
                "UUID": uuid, "Service": service, "Value": bytes.fromhex(entry["value"]),
                "Flags": entry["flags"], "Notifying": False, "MTU": 185,
            }  # fmt: skip
            self.show(f"{service}/char{0x20 + 3 * number:04x}", "GattCharacteristic", values)
        self.change(path, "Device", ServicesResolved=True)

    def on_Disconnect(self, path):
        self.drop(path)

    def on_ReadValue(self, path, options):
        return "ay", [self.shown[path][interface("GattCharacteristic")]["Value"]]

    def on_WriteValue(self, path, value, options):
        return None

    def on_StartNotify(self, path):
        self.change(path, "GattCharacteristic", Notifying=True)

    def on_StopNotify(self, path):
        self.change(path, "GattCharacteristic", Notifying=False)


async def serve():
    """Obey JSON lines on standard input until it ends; answer each with one line."""
    loop = asyncio.get_running_loop()
    setup = json.loads(await loop.run_in_executor(None, sys.stdin.readline))
    radio = Radio(setup["peripherals"], setup["period_s"])
    await radio.start()
    print("{}", flush=True)
    while line := await loop.run_in_executor(None, sys.stdin.readline):
        for what, value in json.loads(line).items():
            if what == "drop":
                radio.drop_all()
            elif what == "power":
                if not value:
                    radio.drop_all()
                radio.change(ADAPTER, "Adapter", Powered=value)
            elif what == "hanging":
                radio.hanging = set(value)
            elif what == "unsubscribe":
                for path, interfaces in radio.shown.items():
                    if interface("GattCharacteristic") in interfaces:
                        radio.change(path, "GattCharacteristic", Notifying=False)
            else:
                setattr(radio, what, value)
        print(json.dumps({"calls": radio.calls}), flush=True)


class BlueZ:
    """The rig as a test sees it: a process that can be commanded and killed."""

    def __init__(self, address, peripherals, period_s=0.05):
        self.setup = {"peripherals": peripherals, "period_s": period_s}
        self.env = os.environ | {"DBUS_SYSTEM_BUS_ADDRESS": address, "PYTHONPATH": "."}
        self.env["DBUS_SESSION_BUS_ADDRESS"] = address
        self.calls = []
        self.start()

    def start(self):
        self.process = subprocess.Popen(
            [sys.executable, "-m", "tests.rigs.bluez"],
            stdin=subprocess.PIPE,
            stdout=subprocess.PIPE,
            env=self.env,
            cwd=Path(__file__).resolve().parents[2],
            text=True,
            preexec_fn=die_with_parent,  # noqa: PLW1509 - as above
        )
        self._tell(self.setup)

    def _tell(self, command):
        self.process.stdin.write(json.dumps(command) + "\n")
        self.process.stdin.flush()
        return json.loads(self.process.stdout.readline())

    def do(self, **command):
        """Command the radio; afterwards ``calls`` holds every method called so far."""
        self.calls = self._tell(command)["calls"]

    def kill(self):
        self.process.kill()
        self.process.wait()
        self.process.stdin.close()
        self.process.stdout.close()


if __name__ == "__main__":
    asyncio.run(serve())
