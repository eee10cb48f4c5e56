"""Values over MQTT: a real broker, a real listener, and a broker from a bad dream."""

import json
import resource
import signal
import socket
import subprocess
import sys
import threading
import time

import pytest

from analysis.publish.homie import NO_READINGS, Homie, description, values
from analysis.publish.settings import Mqtt
from logger.system.snapshot import snapshot_path
from tests.support.broker import Broker, Listener, free_port, until
from tests.support.outward import facts, silent, write
from tests.support.rigs.devices.bluez import die_with_parent

pytestmark = pytest.mark.waits

BASE = "homie/5/aft-locker"


def here(port, **more):
    return Mqtt(**({"host": "127.0.0.1", "port": port, "ca_file": None} | no_user() | more))


def no_user():
    return {"user": None, "password": None}


@pytest.fixture
def broker(tmp_path, program):
    made = Broker(program("mosquitto", "mosquitto"), tmp_path)
    yield made
    made.stop()


@pytest.fixture
def listener(broker):
    made = Listener(broker.port)
    yield made
    made.close()


@pytest.fixture
def device(broker):
    made = Homie(here(broker.port), "aft-locker", "aft locker")
    until(made._client.is_connected, "no connection")
    yield made
    made.close()


def test_it_describes_itself_and_every_value_is_described(device, listener):
    device.send(facts())
    listener.wait(f"{BASE}/$state", "ready")
    listener.wait(f"{BASE}/charger/voltage", "13.312")
    told = json.loads(listener.value(f"{BASE}/$description"))
    assert told == description("aft locker")
    assert told["homie"] == "5.0"
    for topic in values(facts()):
        node, prop = topic.split("/")
        assert told["nodes"][node]["properties"][prop]["settable"] is False
    # By hand: 13.312 V x 4.2 A = 55.9104 W.
    listener.wait(f"{BASE}/charger/power", "55.91")
    # 5.4 MJ are 1.5 kWh.
    listener.wait(f"{BASE}/charger/energy", "1.5")
    listener.wait(f"{BASE}/health/output", "64.08")
    listener.wait(f"{BASE}/health/verdict", "plan")


def test_values_are_retained_for_who_comes_later(device, broker, listener):
    device.send(facts())
    listener.wait(f"{BASE}/charger/state", "running")
    late = Listener(broker.port)
    late.wait(f"{BASE}/charger/state", "running")
    assert late.topics[f"{BASE}/charger/state"][1], "retained"
    late.close()


def test_silence_is_an_alert_and_ends_with_it(device, listener):
    device.send(silent())
    listener.wait(f"{BASE}/$alert/silent", NO_READINGS)
    device.send(facts())
    listener.wait(f"{BASE}/$alert/silent", "")


def test_it_says_goodbye(device, listener):
    listener.wait(f"{BASE}/$state", "ready")
    device.close()
    listener.wait(f"{BASE}/$state", "disconnected")


def test_after_the_broker_was_away_everything_is_there_again(device, broker):
    device.send(facts())
    broker.stop()
    until(lambda: not device._client.is_connected(), "still connected")
    device.send(facts())
    broker.start()
    until(device._client.is_connected, "no connection again")
    device.send(facts())
    fresh = Listener(broker.port)
    fresh.wait(f"{BASE}/$state", "ready")
    fresh.wait(f"{BASE}/charger/voltage", "13.312")
    fresh.close()


def boat(tmp_path, mqtt):
    folder = tmp_path / "boat"
    folder.mkdir()
    (folder / "ebbwatt.toml").write_text(
        "[charger]\nlabel = 'aft locker'\nrated_w = 110\n[publish]\nid = 'aft-locker'\n"
        f"every_s = 1\n[publish.mqtt]\n{mqtt}"
    )
    return folder


@pytest.fixture
def start_publisher(child_env, tmp_path, monkeypatch):
    """Return a function that starts ``ebbwatt publish``; what is left at the end is killed."""
    monkeypatch.setenv("RUNTIME_DIRECTORY", str(tmp_path / "run"))
    started = []

    def start(folder):
        env = {k: v for k, v in child_env.items() if not k.startswith("COV")}
        child = subprocess.Popen(
            [sys.executable, "-m", "analysis", "publish"],
            cwd=folder,
            env=env | {"RUNTIME_DIRECTORY": str(tmp_path / "run")},
            stderr=subprocess.PIPE,
            text=True,
            preexec_fn=die_with_parent,  # noqa: PLW1509 - sets one flag
        )
        started.append(child)
        return child

    yield start
    for child in started:
        child.kill()
        child.communicate()


def test_when_it_is_killed_the_broker_says_lost(tmp_path, broker, listener, start_publisher):
    child = start_publisher(boat(tmp_path, f"port = {broker.port}\n"))
    listener.wait(f"{BASE}/$state", "ready")
    child.send_signal(signal.SIGKILL)
    listener.wait(f"{BASE}/$state", "lost")


def test_sigterm_ends_it_at_once_with_a_goodbye(tmp_path, broker, listener, start_publisher):
    child = start_publisher(boat(tmp_path, f"port = {broker.port}\n"))
    listener.wait(f"{BASE}/$state", "ready")
    child.send_signal(signal.SIGTERM)
    assert child.wait(200) == 0
    listener.wait(f"{BASE}/$state", "disconnected")
    assert "Traceback" not in child.stderr.read()


def peak_mib(child):
    with open(f"/proc/{child.pid}/status", encoding="ascii") as file:  # noqa: PTH123
        line = next(line for line in file if line.startswith("VmHWM"))
    return int(line.split()[1]) / 1024.0


FILES = "[publish.textfile]\npath = 'a.prom'\n[publish.page]\nfolder = '.'\n"


def test_files_and_page_take_20_mib_at_most(tmp_path, start_publisher):
    folder = boat(tmp_path, "")
    path = folder / "ebbwatt.toml"
    path.write_text(path.read_text().replace("[publish.mqtt]\n", FILES))
    write(snapshot_path(folder / "ebbwatt.db"))
    child = start_publisher(folder)
    until((folder / "index.html").exists, "no page")
    until((folder / "a.prom").exists, "no text file")
    assert peak_mib(child) <= 20.0


def test_a_broker_takes_26_mib_at_most(tmp_path, broker, listener, start_publisher):
    folder = boat(tmp_path, f"port = {broker.port}\n")
    write(snapshot_path(folder / "ebbwatt.db"))
    child = start_publisher(folder)
    listener.wait(f"{BASE}/charger/voltage", "13.312")
    assert peak_mib(child) <= 26.0


def test_a_wrong_password_is_told_once_and_never_shown(tmp_path, program, start_publisher):
    passwords = tmp_path / "passwords"
    subprocess.run(
        [program("mosquitto_passwd", "mosquitto"), "-c", "-b", passwords, "boat", "right"],
        check=True,
        capture_output=True,
    )
    said = tmp_path / "said"
    more = f"allow_anonymous false\npassword_file {passwords}\nlog_dest file {said}\n"
    broker = Broker(program("mosquitto", "mosquitto"), tmp_path, more)
    secret = tmp_path / "secret"
    secret.write_text("boat:wrong-secret\n")
    secret.chmod(0o600)
    child = start_publisher(
        boat(tmp_path, f"port = {broker.port}\ncredentials_file = '{secret}'\n")
    )
    line = child.stderr.readline()
    assert "refuses the connection" in line
    until(lambda: said.read_text().count("not authorised") >= 3, "it does not try again")
    child.terminate()
    rest = child.communicate(timeout=200)[1]
    broker.stop()
    assert "refuses" not in rest, "told once"
    assert "wrong-secret" not in line + rest
    assert "wrong-secret" not in " ".join(child.args)


# The library leaves the socket of a refused certificate to the garbage collector.
@pytest.mark.filterwarnings("ignore::pytest.PytestUnraisableExceptionWarning")
@pytest.mark.parametrize("good", [True, False])
def test_the_brokers_certificate_is_checked(tmp_path, program, good):
    openssl = program("openssl", "openssl")
    for name in ("ours", "strange"):
        subprocess.run(
            [openssl, "req", "-x509", "-newkey", "rsa:2048", "-nodes", "-days", "2",
             "-keyout", tmp_path / f"{name}.key", "-out", tmp_path / f"{name}.pem",
             "-subj", "/CN=localhost", "-addext", "subjectAltName=DNS:localhost,IP:127.0.0.1"],
            check=True,
            capture_output=True,
        )  # fmt: skip
    more = f"allow_anonymous true\ncertfile {tmp_path}/ours.pem\nkeyfile {tmp_path}/ours.key\n"
    broker = Broker(program("mosquitto", "mosquitto"), tmp_path, more)
    signer = tmp_path / ("ours.pem" if good else "strange.pem")
    device = Homie(here(broker.port, host="localhost", ca_file=signer), "aft-locker", "x")
    if good:
        until(device._client.is_connected, "no connection over TLS")
    else:
        until(lambda: device._told, "nothing was told")
        assert "certificate" in " ".join(device._told)
        assert not device._client.is_connected()
    device.close()
    broker.stop()


#: MQTT 3.1.1: a broker that agrees (3.2), and a message of it (3.3).
CONNACK = b"\x20\x02\x00\x00"


def publish(topic):
    body = len(topic).to_bytes(2) + topic + b"payload"
    length, rest = b"", len(body)
    while True:
        rest, low = divmod(rest, 128)
        length += bytes([low | (128 if rest else 0)])
        if not rest:
            return b"\x30" + length + body


@pytest.mark.parametrize(
    "nightmare",
    [
        b"\x30\xff\xff\xff\x7f" + b"A" * 65536,  # a message of 256 MB
        b"\x30\xff\xff\xff\xff\xff\xff" * 1000,  # lengths without an end
        b"\x20\x02\x00\x00" + b"\xd0\x00" * 20000,  # answers that nobody asked for
        bytes(range(256)) * 200,
        CONNACK + publish(b"a" * 65000 + b"/" * 535),  # the longest topic that there can be
        CONNACK + b"\x30\x80\x80\x40" + b"\xff\xff" + b"t" * 2**20,  # and a megabyte of it
        CONNACK + publish(b"\x1b[2J\x00\r\nhomie/5/aft-locker/$state"),
        CONNACK + publish(b"\xff\xfe not UTF-8") * 50,
        CONNACK + b"\x30\x02\xff\xff",  # a topic longer than its packet
        CONNACK + b"\x30\x00" + b"\x62\x00" + b"\x50\x01\x00",  # packets too short to be any
    ],
)
def test_a_broker_from_a_bad_dream_is_survived(monkeypatch, nightmare):
    monkeypatch.setattr("analysis.publish.homie.FIRST_WAIT_S", 0.1)
    calls = []
    with socket.create_server(("127.0.0.1", 0)) as server:

        def serve():
            while True:
                try:
                    taken, _ = server.accept()
                except OSError:
                    return
                calls.append(1)
                try:
                    taken.recv(4096)
                    taken.sendall(nightmare)
                    taken.recv(4096)
                except OSError:
                    pass
                taken.close()

        threading.Thread(target=serve, daemon=True).start()
        before = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss
        device = Homie(here(server.getsockname()[1]), "aft-locker", "x")
        until(lambda: len(calls) >= 2, "it did not try again")
        device.send(facts())
        until(lambda: device._lost >= 1, "nothing was counted")
        device.close()
    grown = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss - before
    assert grown < 20 * 1024, "kilobytes"


def test_a_broker_that_breaks_off_is_told_once_and_left_alone_for_longer_each_time(
    caplog, monkeypatch
):
    # A quarter of the time that a boat's broker is given: 0.5, 1 and 2 s.
    monkeypatch.setattr("analysis.publish.homie.FIRST_WAIT_S", 0.25)
    with socket.create_server(("127.0.0.1", 0)) as server:
        times = []

        def serve():
            while True:
                try:
                    taken, _ = server.accept()
                except OSError:
                    return
                times.append(time.monotonic())
                taken.recv(4096)
                taken.sendall(CONNACK)
                taken.close()

        threading.Thread(target=serve, daemon=True).start()
        device = Homie(here(server.getsockname()[1]), "aft-locker", "x")
        until(lambda: len(times) >= 4, "it did not try again")
        device.close()
    # So long at the least; how much longer is the machine's.
    assert [b - a >= w for a, b, w in zip(times, times[1:], (0.48, 0.98, 1.98), strict=False)] == (
        [True] * 3
    )
    assert [r.getMessage() for r in caplog.records].count(
        next(r.getMessage() for r in caplog.records if "lost" in r.getMessage())
    ) == 1


def test_a_broker_that_is_not_there_holds_nothing_up():
    device = Homie(here(free_port()), "aft-locker", "x")
    until(lambda: device._told, "nothing was told")
    device.send(facts())
    device.close()
