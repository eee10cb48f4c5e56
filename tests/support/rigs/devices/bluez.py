"""An org.bluez of our own on a private message bus: enough of BlueZ for bleak's Linux backend.

No radio and no bluetoothd are needed; bleak runs unchanged. The radio is a table of peripherals:
``name``, ``characteristics`` by UUID (``flags``, ``value``, and where wanted ``service``,
``presentation`` for descriptor 0x2904, ``answers`` to what is written, given by another
characteristic, ``answers_at``), ``manufacturer`` and ``service_data``. Faults are set on it as
plain attributes. Every call is logged, and every value written. Runs in a process of its
own (``python -m tests.support.rigs.devices.bluez``), commanded by JSON lines on its standard input,
so that it can be killed like the real one.
"""

import asyncio
import ctypes
import json
import os
import subprocess
import sys
from functools import partial
from pathlib import Path

from dbus_fast import Message, MessageType, Variant
from dbus_fast.aio import MessageBus

from logger.sources.decoders.characteristics import BASE

BUS_CONFIG = """<!DOCTYPE busconfig PUBLIC "-//freedesktop//DTD D-Bus Bus Configuration 1.0//EN"
 "http://www.freedesktop.org/standards/dbus/1.0/busconfig.dtd">
<busconfig><type>session</type><listen>unix:path={socket}</listen><auth>EXTERNAL</auth>
<policy context="default"><allow own="*"/><allow send_destination="*"/><allow eavesdrop="true"/>
</policy></busconfig>"""
ROOT = Path(__file__).resolve().parents[4]
MANAGER = "org.freedesktop.DBus.ObjectManager"
PROPERTIES = "org.freedesktop.DBus.Properties"
ADAPTER = "/org/bluez/hci0"
#: Generic Attribute Profile, which nearly every device has.
SERVICE = "00001801-0000-1000-8000-00805f9b34fb"
#: Descriptor 0x2904, Characteristic Presentation Format.
PRESENTATION = "00002904-0000-1000-8000-00805f9b34fb"
#: D-Bus type of each property that BlueZ shows.
TYPES = {
    "RSSI": "n", "MTU": "q", "Value": "ay", "UUIDs": "as", "Flags": "as", "Roles": "as",
    "Adapter": "o", "Device": "o", "Service": "o", "Powered": "b", "Discovering": "b",
    "Connected": "b", "ServicesResolved": "b", "Paired": "b", "Primary": "b", "Notifying": "b",
    "Characteristic": "o", "NotifyAcquired": "b", "ManufacturerData": "a{qv}",
    "ServiceData": "a{sv}",
}  # fmt: skip


def interface(name):
    return f"org.bluez.{name}1"


def with_types(values):
    return {k: Variant(TYPES.get(k, "s"), v) for k, v in values.items()}


def die_with_parent(parent=None):
    """End this process with its parent, also where ``parent`` (its number) has ended already."""
    # PR_SET_PDEATHSIG: a killed test must leave nothing behind.
    ctypes.CDLL(None).prctl(1, 9)
    if parent is not None and os.getppid() != parent:
        os._exit(1)


#: An invented charger that notifies and can be read, and its address.
ADDRESS = "AA:BB:CC:DD:EE:01"
PERIPHERAL = {
    "name": "invented charger \x1b[31m",
    "characteristics": {
        f"00002b18{BASE}": {"flags": ["read", "notify"], "value": "6003"},
        f"00002aee{BASE}": {"flags": ["read", "notify"], "value": "a401"},
        f"00002bed{BASE}": {"flags": ["read", "notify"], "value": "02a30250"},
        f"00002b14{BASE}": {"flags": ["read"], "value": "d20400"},
    },
}
#: A daemon that listens to the invented charger of tests/support/rigs/devices/bluez.py.
RADIO_CONFIG = """\
[charger]
label = "Dabchick, aft locker"
rated_w = 110
[store]
path = "ebbwatt.db"
commit_s = 1
commit_rest_s = 1
[log]
interval_s = 0.1
[source]
kind = "ble"
address = "{address}"
description = "device.toml"
"""
#: Everything that may ever be called on BlueZ where nothing is asked of the device.
ONLY_LISTENS = {
    "GetManagedObjects", "SetDiscoveryFilter", "StartDiscovery", "StopDiscovery", "Connect",
    "Disconnect", "StartNotify", "StopNotify", "ReadValue",
}  # fmt: skip


def quick_description():
    """Return the example for characteristics of the SIG, with short times."""
    text = (ROOT / "fixtures/devices/ble-sig.toml").read_text(encoding="utf-8")
    text = text.replace("scan_s = 15", "scan_s = 2\ncall_s = 1")
    text = text.replace("read_every_s = 60", "read_every_s = 2")
    return text + (
        "\n[timing]\nstale_s = 1.5\nfirst_reading_s = 4\nfirst_wait_s = 0.1\nlongest_wait_s = 0.3\n"
    )


class Bus:
    """A message bus of our own, which can be killed and started again at the same address."""

    def __init__(self, folder: Path):
        self.config = folder / "bus.conf"
        self.config.write_text(BUS_CONFIG.format(socket=folder / "bus"))
        self.address = f"unix:path={folder / 'bus'}"
        self.start()

    def start(self):
        self.process = subprocess.Popen(
            ["dbus-daemon", f"--config-file={self.config}", "--nofork", "--print-address=1"],
            stdout=subprocess.PIPE,
            stderr=subprocess.DEVNULL,
            text=True,
            preexec_fn=die_with_parent,  # noqa: PLW1509 - sets one flag, before any thread
        )
        self.process.stdout.readline()  # printed once it listens

    def kill(self):
        self.process.kill()
        self.process.wait()
        self.process.stdout.close()


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
        self.writes = []
        self.silent = False
        self.times = 1
        self.hanging = set()
        self.failing = {}
        self.failure = ["InProgress", "busy"]
        self.unresolved = False
        self.drops_early = 0
        self.vanishes = 0
        self.deaf = False
        self.out_of_reach = False
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
            if ADAPTER not in self.shown:
                continue
            adapter = self.shown[ADAPTER][interface("Adapter")]
            for address, peripheral in self.peripherals.items():
                path = self.path(address)
                device = self.shown.get(path, {}).get(interface("Device"))
                scans = adapter["Discovering"] and adapter["Powered"] and not self.deaf
                if scans and not self.out_of_reach:
                    if device is None:
                        self.show(path, "Device", self.device(address, peripheral))
                    elif not device["Connected"]:
                        self.change(path, "Device", RSSI=-61, **self.advertised(peripheral))
                if device is not None and device["Connected"] and not self.silent:
                    self.notify(path, peripheral)

    def device(self, address, peripheral):
        return {
            "Address": address, "AddressType": "public", "Name": peripheral["name"],
            "Alias": peripheral["name"], "Adapter": ADAPTER, "Paired": False, "Connected": False,
            "ServicesResolved": False, "UUIDs": [SERVICE], "RSSI": -60,
            **self.advertised(peripheral),
        }  # fmt: skip

    def advertised(self, peripheral):
        """Return the data that a peripheral advertises, by D-Bus property."""
        found = {}
        if "manufacturer" in peripheral:
            found["ManufacturerData"] = {
                int(number): Variant("ay", bytes.fromhex(data))
                for number, data in peripheral["manufacturer"].items()
            }
        if "service_data" in peripheral:
            found["ServiceData"] = {
                uuid: Variant("ay", bytes.fromhex(data))
                for uuid, data in peripheral["service_data"].items()
            }
        return found

    def notify(self, device_path, peripheral):
        for path, interfaces in list(self.shown.items()):
            values = interfaces.get(interface("GattCharacteristic"))
            if values and path.startswith(device_path) and values["Notifying"]:
                data = bytes.fromhex(peripheral["characteristics"][values["UUID"]]["value"])
                for _ in range(self.times if data else 0):
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

    # --- what a test may command besides setting an attribute ---------------------------------

    def do_drop(self, _=None):
        for address in self.peripherals:
            self.drop(self.path(address))

    def do_forget(self, _=None):
        """Lose the devices altogether, as BlueZ does half a minute after a scan."""
        self.do_drop()
        for address in self.peripherals:
            if interfaces := self.shown.pop(self.path(address), None):
                body = [self.path(address), list(interfaces)]
                self.signal("/", MANAGER, "InterfacesRemoved", "oas", body)

    def do_adapter(self, plugged):
        if plugged:
            self.adapter["Discovering"] = False
            self.show(ADAPTER, "Adapter", self.adapter)
        else:
            self.do_forget()
            self.adapter = self.shown.pop(ADAPTER)[interface("Adapter")]
            body = [ADAPTER, [interface("Adapter")]]
            self.signal("/", MANAGER, "InterfacesRemoved", "oas", body)

    def do_power(self, on):
        if not on:
            self.do_drop()
        self.change(ADAPTER, "Adapter", Powered=on)

    def do_unsubscribe(self, _=None):
        for path, interfaces in self.shown.items():
            if interface("GattCharacteristic") in interfaces:
                self.change(path, "GattCharacteristic", Notifying=False)

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
        return self.answer(message)

    def answer(self, message):
        if self.failing.get(message.member, 0) > 0:
            self.failing[message.member] -= 1
            name, text = self.failure
            # BlueZ before 5.88 (bluez issue 807): scans find nothing after such an answer, until
            # scanning is begun and ended once more.
            self.deaf = self.deaf or message.member == "StopDiscovery"
            if text == "le-connection-abort-by-local":
                # BlueZ was connected for an instant; bleak waits for the end of that.
                self.change(message.path, "Device", Connected=True)
                self.drop(message.path)
            return Message.new_error(message, f"org.bluez.Error.{name}", text)
        if message.path != "/" and message.path not in self.shown:
            name = "org.freedesktop.DBus.Error.UnknownObject"
            return Message.new_error(message, name, f"no {message.path}")
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
        if "UUIDs" in filters:
            os._exit(1)  # as BlueZ 5.87 does (bluez issue 2282)

    def on_StartDiscovery(self, path):
        if not self.shown[ADAPTER][interface("Adapter")]["Powered"]:
            return RuntimeError("Not Ready")
        self.change(path, "Adapter", Discovering=True)
        return None

    def on_StopDiscovery(self, path):
        self.change(path, "Adapter", Discovering=False)
        self.deaf = False
        if self.vanishes > 0:
            self.vanishes -= 1
            self.do_forget()

    def on_Connect(self, path):
        address = self.shown[path][interface("Device")]["Address"]
        self.change(path, "Device", Connected=True)
        if self.drops_early > 0:
            self.drops_early -= 1
            self.drop(path)
            return
        if self.unresolved:
            return
        services = {}
        for number, (uuid, entry) in enumerate(
            self.peripherals[address]["characteristics"].items()
        ):
            of = entry.get("service", SERVICE)
            if of not in services:
                services[of] = service = f"{path}/service{0x0100 * (len(services) + 1):04x}"
                self.show(service, "GattService", {"UUID": of, "Device": path, "Primary": True})
            values = {
                "UUID": uuid, "Service": services[of], "Value": bytes.fromhex(entry["value"]),
                "Flags": entry["flags"], "Notifying": False, "MTU": 185,
            }  # fmt: skip
            if {"notify", "indicate"} & set(entry["flags"]):
                values["NotifyAcquired"] = False  # AcquireNotify is offered, and breaks devices
            below = f"{services[of]}/char{0x20 + 3 * number:04x}"
            self.show(below, "GattCharacteristic", values)
            if "presentation" in entry:
                values = {
                    "UUID": PRESENTATION, "Characteristic": below,
                    "Value": bytes.fromhex(entry["presentation"]),
                }  # fmt: skip
                self.show(f"{below}/desc{0x21 + 3 * number:04x}", "GattDescriptor", values)
        self.change(path, "Device", ServicesResolved=True)

    def on_Disconnect(self, path):
        self.drop(path)

    def on_ReadValue(self, path, options):
        (values,) = self.shown[path].values()
        if interface("GattCharacteristic") in self.shown[path]:
            # BlueZ tells subscribers of a value that was read.
            self.change(path, "GattCharacteristic", Value=values["Value"])
        return "ay", [values["Value"]]

    def on_WriteValue(self, path, value, options):
        values = self.shown[path][interface("GattCharacteristic")]
        self.writes.append([values["UUID"], bytes(value).hex()])
        device = path.rsplit("/", 2)[0]
        entries = self.peripherals[self.shown[device][interface("Device")]["Address"]]
        entry = entries["characteristics"][values["UUID"]]
        for other, interfaces in list(self.shown.items()):
            target = interfaces.get(interface("GattCharacteristic"))
            if target and target["UUID"] == entry.get("answers_at"):
                for piece in entry["answers"].get(bytes(value).hex(), []):
                    self.change(other, "GattCharacteristic", Value=bytes.fromhex(piece))

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
            command = getattr(radio, f"do_{what}", partial(setattr, radio, what))
            command(value)
        told = {"calls": radio.calls, "writes": radio.writes, "failing": radio.failing}
        print(json.dumps(told), flush=True)


class BlueZ:
    """The rig as a test sees it: a process that can be commanded and killed."""

    def __init__(self, address, peripherals, period_s=0.05):
        self.setup = {"peripherals": peripherals, "period_s": period_s}
        self.env = os.environ | {"DBUS_SYSTEM_BUS_ADDRESS": address, "PYTHONPATH": "."}
        self.env["DBUS_SESSION_BUS_ADDRESS"] = address
        self.calls = []
        self.writes = []
        self.failing = {}
        self.start()

    def start(self):
        self.process = subprocess.Popen(
            [sys.executable, "-m", "tests.support.rigs.devices.bluez"],
            stdin=subprocess.PIPE,
            stdout=subprocess.PIPE,
            env=self.env,
            cwd=ROOT,
            text=True,
            preexec_fn=die_with_parent,  # noqa: PLW1509 - as above
        )
        self._tell(self.setup)

    def _tell(self, command):
        self.process.stdin.write(json.dumps(command) + "\n")
        self.process.stdin.flush()
        return json.loads(self.process.stdout.readline())

    def do(self, **command):
        """Command the radio; then ``calls`` and ``writes`` hold everything called so far.

        ``failing`` holds how many calls of each kind still are to fail.
        """
        told = self._tell(command)
        self.calls, self.writes, self.failing = (told[k] for k in ("calls", "writes", "failing"))

    def kill(self):
        self.process.kill()
        self.process.wait()
        self.process.stdin.close()
        self.process.stdout.close()


if __name__ == "__main__":
    asyncio.run(serve())
