"""Values as Signal K deltas (open data model, version 1.8.2), one a line.

The model has no power, energy, hours or wear of a charger, so these are not sent: a path of our own
would be one that nobody reads. Temperatures are kelvin. A silent source sends null, so that no
reader keeps an old value as if it were now.
"""

from __future__ import annotations

import json
import re
import socket
import sys
import time
from typing import TYPE_CHECKING, Any

from analysis.publish.facts import iso_ms
from logger.errors import EbbwattError

if TYPE_CHECKING:
    from analysis.publish.facts import Facts

#: State of a notification, in the words of the data model, for each verdict.
_NOTICE = {
    "sound": ("normal", "The charger is sound"),
    "plan": ("alert", "Plan the replacement of the charger"),
    "replace": ("warn", "Replace the charger"),
    "undetermined": ("normal", "What the charger can give is not known yet"),
}
#: 0 degC in kelvin, by definition; the data model has kelvin.
_KELVIN = 273.15
#: Longest time for the socket, s: it is on this machine, so a longer wait means that it hangs.
TIMEOUT_S = 2.0


def delta(facts: Facts, ident: str, battery: str) -> dict[str, Any] | None:
    """Return one delta, or None where there are no values.

    Parameters
    ----------
    facts
        What is known now.
    ident, battery
        Names of charger and battery in the paths: letters and digits.
    """
    values: list[dict[str, Any]] = []

    def put(path: str, value: object) -> None:
        values.append({"path": path, "value": value})

    charger = f"electrical.chargers.{_letters(ident)}"
    r = facts.reading
    if r is not None:
        kelvin = None if r.temperature_c is None else round(r.temperature_c + _KELVIN, 2)
        for path, value in (
            (f"{charger}.voltage", r.voltage_v),
            (f"{charger}.current", r.current_a),
            (f"{charger}.temperature", kelvin),
            (f"electrical.batteries.{battery}.current", r.battery_current_a),
        ):
            if value is not None:
                put(path, value)
    elif facts.snapshot is not None:
        put(f"{charger}.voltage", None)
        put(f"{charger}.current", None)
    if facts.document is not None:
        state, message = _NOTICE[facts.document["verdict"]]
        method = [] if state == "normal" else ["visual"]
        put(f"notifications.{charger}", {"state": state, "method": method, "message": message})
    if not values:
        return None
    when = iso_ms(facts.reading_s if facts.reading_s is not None else time.time())
    source = {"label": "ebbwatt", "type": "signalk"}
    return {
        "context": "vessels.self",
        "updates": [{"source": source, "timestamp": when, "values": values}],
    }


def _letters(name: str) -> str:
    """Return a name without hyphens, the letter behind each raised: aft-locker, aftLocker."""
    return re.sub("-(.)", lambda found: found[1].upper(), name)


class SignalK:
    """Sends deltas to standard output, or to a socket of this machine."""

    name = "signalk"

    def __init__(self, settings: dict[str, Any], ident: str) -> None:
        self._to: str = settings["to"]
        self._address = ("127.0.0.1", int(settings["port"]))
        self._ident, self._battery = ident, settings["battery"]
        self._socket: socket.socket | None = None

    def send(self, facts: Facts) -> None:
        """Send one delta.

        Raises
        ------
        EbbwattError
            If nobody takes it.
        """
        made = delta(facts, self._ident, self._battery)
        if made is None:
            return
        line = json.dumps(made, ensure_ascii=True) + "\n"
        if self._to == "stdout":
            sys.stdout.write(line)
            sys.stdout.flush()
            return
        try:
            if self._socket is None:
                self._socket = self._connected()
            self._socket.sendall(line.encode())
        except OSError as error:
            self.close()
            where = "{}:{}".format(*self._address)
            why = error.strerror or str(error)
            raise EbbwattError(
                f"{self._to} {where}: {why} (does a reader listen there?)"
            ) from error

    def _connected(self) -> socket.socket:
        kind = socket.SOCK_DGRAM if self._to == "udp" else socket.SOCK_STREAM
        made = socket.socket(socket.AF_INET, kind)
        made.settimeout(TIMEOUT_S)
        try:
            made.connect(self._address)
        except OSError:
            made.close()
            raise
        return made

    def close(self) -> None:
        """Close the socket."""
        if self._socket is not None:
            self._socket.close()
            self._socket = None
