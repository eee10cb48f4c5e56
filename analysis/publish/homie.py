"""Values over MQTT by the Homie convention, version 5: a device that describes itself.

Topics are ``homie/5/ID/NODE/PROPERTY``. All values are retained and none can be set. The device
says ``ready`` when it is connected and ``disconnected`` when it ends; the broker says ``lost`` for
it when it dies.
"""

from __future__ import annotations

import contextlib
import json
import logging
import ssl
import time
from typing import TYPE_CHECKING, Any

from analysis.physics import J_PER_KWH
from analysis.publish.facts import VERDICTS, iso_ms, number
from logger.errors import EbbwattError
from logger.reading import OperatingState

if TYPE_CHECKING:
    from analysis.publish.facts import Facts
    from analysis.publish.settings import Mqtt

_log = logging.getLogger("ebbwatt")
#: Decimals of a value in the log; a smaller change is not published.
_DECIMALS = {
    "voltage": 3,
    "current": 3,
    "temperature": 2,
    "runtime": 3,
    "fuel": 3,
    "power": 2,
    "energy": 3,
}
#: Digits of a part in per cent (our choice).
_PERCENT_DECIMALS = 2
#: Each message comes once, and surely (our choice).
_QOS = 2
#: A broker that is told nothing but values has nothing longer than this to answer, bytes.
LARGEST_ANSWER = 1024
#: Longest time for the last message, s (judgement).
_FAREWELL_S = 3.0
#: Waits between two connections, s; a connection that holds as long as ``STEADY_S`` is a good one.
FIRST_WAIT_S, LONGEST_WAIT_S = 1, 600
STEADY_S = 60.0
NO_READINGS = "No readings from the charger"


def description(label: str) -> dict[str, Any]:
    """Return the description of the device (``$description``)."""

    def one(
        name: str, unit: str = "", datatype: str = "float", accepted: str = ""
    ) -> dict[str, Any]:
        more = {k: v for k, v in (("unit", unit), ("format", accepted)) if v}
        return {"name": name, "datatype": datatype, "settable": False, "retained": True} | more

    charger = {
        "voltage": one("Voltage", "V"),
        "current": one("Current out", "A"),
        "power": one("Power", "W"),
        "energy": one("Energy since the logger started", "kWh"),
        "state": one("State", "", "enum", ",".join(OperatingState)),
        "runtime": one("Running hours", "h"),
        "temperature": one("Compartment", "\N{DEGREE SIGN}C"),
        "fuel": one("Fuel left", "L"),
        "reading-time": one("Time of the reading", "", "datetime"),
    }
    health = {
        "verdict": one("Verdict", "", "enum", ",".join(VERDICTS)),
        "output": one("Available output", "%"),
        "output-low": one("Lower end of the available output", "%"),
        "output-high": one("Upper end of the available output", "%"),
        "remaining": one("Remaining running hours", "h"),
        "remaining-low": one("Lower end of the remaining hours", "h"),
        "remaining-high": one("Upper end of the remaining hours", "h"),
    }
    battery = {"current": one("Current in", "A")}
    nodes = {
        "charger": {"name": "Charger", "type": "charger", "properties": charger},
        "battery": {"name": "Battery", "type": "battery", "properties": battery},
        "health": {"name": "Health", "type": "health", "properties": health},
    }
    return {"homie": "5.0", "version": 1, "name": label, "nodes": nodes}


def values(facts: Facts) -> dict[str, str]:
    """Return the known values by NODE/PROPERTY, without the unknown ones."""
    return _reading(facts) | _health(facts)


def _reading(facts: Facts) -> dict[str, str]:
    r = facts.reading
    known: dict[str, str] = {}
    if r is not None:
        power = energy = None
        if facts.snapshot is not None and facts.snapshot.energy_j is not None:
            energy = facts.snapshot.energy_j / J_PER_KWH
        if r.voltage_v is not None and r.current_a is not None:
            power = r.voltage_v * r.current_a
        for key, value in (
            ("charger/voltage", r.voltage_v),
            ("charger/current", r.current_a),
            ("charger/power", power),
            ("charger/energy", energy),
            ("charger/runtime", r.runtime_h),
            ("charger/temperature", r.temperature_c),
            ("charger/fuel", r.fuel_l),
            ("battery/current", r.battery_current_a),
        ):
            if value is not None:
                known[key] = f"{round(value, _DECIMALS[key.partition('/')[2]]):g}"
        known["charger/state"] = str(r.state)
        if facts.reading_s is not None:
            known["charger/reading-time"] = iso_ms(facts.reading_s)
    return known


def _health(facts: Facts) -> dict[str, str]:
    d = facts.document
    known: dict[str, str] = {}
    if d is not None:
        known["health/verdict"] = d["verdict"]
        for key, name in (("output", "fraction"), ("output-low", "low"), ("output-high", "high")):
            fraction = number(d, "output", name)
            if fraction is not None:
                known[f"health/{key}"] = f"{round(100.0 * fraction, _PERCENT_DECIMALS):g}"
        for tail, name in (("", "median"), ("-low", "low"), ("-high", "high")):
            hours = number(d, "remaining", "hours", name)
            if hours is not None:
                known[f"health/remaining{tail}"] = f"{hours:.1f}"
    return known


def _client(ident: str) -> Any:  # noqa: ANN401 - paho is optional, so its types are not at hand
    try:
        from paho.mqtt.client import MQTT_ERR_PROTOCOL, Client
        from paho.mqtt.enums import CallbackAPIVersion
    except ImportError:
        raise EbbwattError(
            "[publish.mqtt] needs the library paho-mqtt: pip install 'ebbwatt[mqtt]'"
        ) from None

    class Bounded(Client):
        """A client that takes no packet which a broker has no reason to send.

        The library takes packets of up to 256 MB. These are its private methods; a test holds
        that a huge packet ends the connection.
        """

        def _sock_recv(self, bufsize: int) -> Any:  # noqa: ANN401
            return super()._sock_recv(min(bufsize, LARGEST_ANSWER))

        def _packet_read(self) -> Any:  # noqa: ANN401
            status = super()._packet_read()
            if self._in_packet["remaining_length"] > LARGEST_ANSWER:
                self._in_packet["packet"] = bytearray()
                return MQTT_ERR_PROTOCOL
            return status

    return Bounded(CallbackAPIVersion.VERSION2, client_id=f"ebbwatt-{ident}")


class Homie:
    """One device on a broker. It connects by itself, again and again with growing waits."""

    name = "mqtt"

    def __init__(self, settings: Mqtt, ident: str, label: str) -> None:
        self._base = f"homie/5/{ident}"
        self._label = label
        self._sent: dict[str, str] = {}
        self._told: set[str] = set()
        self._lost = 0
        self._wait_s = FIRST_WAIT_S
        self._since_s = 0.0
        self._client = client = _client(ident)
        client.will_set(f"{self._base}/$state", "lost", _QOS, retain=True)
        client.reconnect_delay_set(FIRST_WAIT_S, LONGEST_WAIT_S)
        # Values are renewed anyway, so messages for an absent broker need not queue.
        client.max_queued_messages_set(100)
        client.on_connect, client.on_disconnect = self._connected, self._disconnected
        client.on_connect_fail = self._failed
        if settings.ca_file is not None:
            client.tls_set(ca_certs=str(settings.ca_file), cert_reqs=ssl.CERT_REQUIRED)
        if settings.user is not None:
            client.username_pw_set(settings.user, settings.password)
        client.connect_async(settings.host, settings.port, keepalive=60)
        client.loop_start()

    def _connected(self, client: Any, _data: Any, _flags: Any, reason: Any, _more: Any) -> None:  # noqa: ANN401
        if reason.is_failure:
            self._tell(f"the broker refuses the connection: {reason}")
            return
        self._since_s = time.monotonic()
        client.publish(f"{self._base}/$state", "init", _QOS, retain=True)
        text = json.dumps(description(self._label), ensure_ascii=False)
        client.publish(f"{self._base}/$description", text, _QOS, retain=True)
        self._sent = {}
        client.publish(f"{self._base}/$state", "ready", _QOS, retain=True)
        _log.info("mqtt: connected")

    def _disconnected(
        self,
        client: Any,  # noqa: ANN401
        _data: Any,  # noqa: ANN401
        _flags: Any,  # noqa: ANN401
        reason: Any,  # noqa: ANN401
        _more: Any,  # noqa: ANN401
    ) -> None:
        if not reason.is_failure:
            return
        self._lost += 1
        # The library waits longer only where it cannot connect; one that connects and breaks off
        # again and again is left alone for longer each time as well.
        if time.monotonic() - self._since_s < STEADY_S:
            self._wait_s = min(2 * self._wait_s, LONGEST_WAIT_S)
        else:
            self._wait_s = FIRST_WAIT_S
        client.reconnect_delay_set(self._wait_s, LONGEST_WAIT_S)
        if not self._told:
            self._tell(f"the connection is lost: {reason}")

    def _failed(self, _client: Any, _data: Any) -> None:  # noqa: ANN401
        self._tell("the broker cannot be reached, or its certificate is not good")

    def _tell(self, what: str) -> None:
        """Report a failure once; the connection is tried again with growing waits."""
        if what not in self._told:
            self._told.add(what)
            _log.warning("mqtt: %s; trying again", what)

    def send(self, facts: Facts) -> None:
        """Publish what has changed since it was last published."""
        if not self._client.is_connected():
            return
        if self._told and time.monotonic() - self._since_s >= STEADY_S:
            self._told.clear()
            _log.warning("mqtt: goes on; the connection was lost %d times", self._lost)
        now = values(facts)
        now["$alert/silent"] = "" if facts.live else NO_READINGS
        for topic, value in now.items():
            if self._sent.get(topic) != value:
                self._client.publish(f"{self._base}/{topic}", value, _QOS, retain=True)
                self._sent[topic] = value

    def close(self) -> None:
        """Tell the broker, if it is there, that the device leaves, and end."""
        if self._client.is_connected():
            farewell = self._client.publish(
                f"{self._base}/$state", "disconnected", _QOS, retain=True
            )
            # The broker may go while it is told.
            with contextlib.suppress(ValueError, RuntimeError):
                farewell.wait_for_publish(_FAREWELL_S)
        self._client.disconnect()
        self._client.loop_stop()
