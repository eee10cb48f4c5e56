"""Signal K deltas, judged by the open data model's own schema (npm, @signalk/signalk-schema)."""

import json
import os
import socket
import subprocess

from analysis.publish.signalk import SignalK, delta
from logger.errors import EbbwattError
from tests.conftest import ROOT
from tests.support.missing import missing, program
from tests.support.outward import facts, silent

MODULES = ROOT / "build/npm/node_modules"
_JUDGE = """
const schema = require('@signalk/signalk-schema');
const id = 'urn:mrn:signalk:uuid:c0d79334-4e25-4245-8892-54e8ccc8021d';
const delta = JSON.parse(require('fs').readFileSync(0, 'utf8'));
delta.context = 'vessels.' + id;
const alone = schema.validateDelta(delta);
delta.updates[0].values = delta.updates[0].values.filter(v => !v.path.startsWith('notifications'));
const full = new schema.FullSignalK(id);
full.addDelta(delta);
const vessel = schema.validateFull(full.retrieve());
if (!vessel.valid) console.error(vessel.errors.map(e => e.dataPath + ' ' + e.message).join('; '));
console.log(JSON.stringify([alone.valid, vessel.valid]));
"""


def judged(made):
    """Return whether the delta, and the whole vessel that it makes, are valid."""
    if not (MODULES / "@signalk/signalk-schema").is_dir():
        missing("needs npm install --prefix build/npm @signalk/signalk-schema@1.8.2")
    done = subprocess.run(
        [program("node", "nodejs"), "-e", _JUDGE],
        input=json.dumps(made),
        capture_output=True,
        text=True,
        check=True,
        env=os.environ | {"NODE_PATH": str(MODULES)},
    )
    return json.loads(done.stdout)


def test_the_schema_takes_the_delta_and_the_vessel_that_it_makes():
    assert judged(delta(facts(), "aft-locker", "house")) == [True, True]


def test_the_schema_takes_the_delta_of_a_silent_source():
    # A value that is taken back is null in a delta; the schema of a whole vessel knows no null.
    assert judged(delta(silent(), "aft-locker", "house"))[0] is True


def test_the_schema_would_notice_a_wrong_type():
    made = delta(facts(), "aft-locker", "house")
    made["updates"][0]["values"][0]["value"] = "thirteen"
    assert judged(made)[1] is False


def test_paths_and_units_are_those_of_the_model():
    (update,) = delta(facts(), "aft-locker", "house")["updates"]
    values = {v["path"]: v["value"] for v in update["values"]}
    charger = "electrical.chargers.aftLocker"
    assert values[f"{charger}.voltage"] == 13.312
    assert values[f"{charger}.temperature"] == 296.55  # 23.4 degC in kelvin
    assert values["electrical.batteries.house.current"] == -1.25
    assert values[f"notifications.{charger}"]["state"] == "alert"
    assert update["timestamp"] == "2025-11-29T07:06:40.500Z"
    assert len(values) == 5, "no path that the model does not know"


def test_a_silent_source_takes_its_values_back():
    (update,) = delta(silent(), "aft-locker", "house")["updates"]
    values = {v["path"]: v["value"] for v in update["values"]}
    assert values["electrical.chargers.aftLocker.voltage"] is None
    assert delta(silent(snapshot=None, document=None), "a", "house") is None


def test_deltas_arrive_on_a_local_socket_a_line_each():
    with socket.socket(socket.AF_INET, socket.SOCK_DGRAM) as ear:
        ear.bind(("127.0.0.1", 0))
        ear.settimeout(30)
        target = SignalK({"to": "udp", "port": ear.getsockname()[1], "battery": "house"}, "a")
        target.send(facts())
        line = ear.recv(65536)
        target.close()
    assert line.endswith(b"\n")
    assert json.loads(line)["context"] == "vessels.self"


def test_a_reader_that_has_gone_is_an_error_and_one_that_returns_is_served():
    with socket.create_server(("127.0.0.1", 0)) as server:
        port = server.getsockname()[1]
        target = SignalK({"to": "tcp", "port": port, "battery": "house"}, "a")
        target.send(facts())
        server.accept()[0].close()
    lost = []
    while not lost:
        try:
            target.send(facts())
        except EbbwattError as error:
            lost.append(error)
    assert str(lost[0]).startswith(f"tcp 127.0.0.1:{port}: ")
    with socket.create_server(("127.0.0.1", port)) as server:
        target.send(facts())
        taken = server.accept()[0]
        assert taken.recv(65536).startswith(b'{"context"')
        taken.close()
    target.close()
