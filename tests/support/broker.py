"""A real MQTT broker (mosquitto) on a free port of this machine, and a listener that remembers."""

import socket
import subprocess
import time

from paho.mqtt.client import Client
from paho.mqtt.enums import CallbackAPIVersion

from tests.support.rigs.devices.bluez import die_with_parent


def free_port():
    with socket.socket() as probe:
        probe.bind(("127.0.0.1", 0))
        return probe.getsockname()[1]


class Broker:
    """Starts and ends mosquitto; ``more`` is added to its configuration."""

    def __init__(self, program, folder, more="allow_anonymous true\n", port=None):
        self.port = port or free_port()
        self._command = [program, "-c", str(folder / "mosquitto.conf")]
        text = f"listener {self.port} 127.0.0.1\nuser root\npersistence false\n{more}"
        (folder / "mosquitto.conf").write_text(text)
        self.start()

    def start(self):
        self._process = subprocess.Popen(
            self._command,
            stdout=subprocess.DEVNULL,
            stderr=subprocess.DEVNULL,
            preexec_fn=die_with_parent,  # noqa: PLW1509 - sets one flag
        )
        until(self._answers, "the broker does not answer")

    def _answers(self):
        try:
            socket.create_connection(("127.0.0.1", self.port), 1.0).close()
        except OSError:
            return False
        return True

    def stop(self):
        self._process.kill()
        self._process.wait()


class Listener:
    """Subscribes to everything below ``homie/5`` and keeps the newest value of each topic."""

    def __init__(self, port, credentials=None):
        self.topics = {}
        self.client = Client(CallbackAPIVersion.VERSION2)
        if credentials:
            self.client.username_pw_set(*credentials)
        self.client.on_connect = lambda client, *_: client.subscribe("homie/5/#", 2)
        self.client.on_message = self._keep
        self.client.reconnect_delay_set(1, 1)
        self.client.connect("127.0.0.1", port)
        self.client.loop_start()

    def _keep(self, _client, _data, message):
        self.topics[message.topic] = (message.payload.decode(), message.retain)

    def value(self, topic):
        return self.topics.get(topic, (None, None))[0]

    def wait(self, topic, value):
        until(lambda: self.value(topic) == value, lambda: f"{topic} is {self.value(topic)!r}")

    def close(self):
        self.client.disconnect()
        self.client.loop_stop()


def until(found, why, limit_s=200.0):
    """Wait until ``found()`` is true."""
    end = time.monotonic() + limit_s
    while not found():
        assert time.monotonic() < end, why() if callable(why) else why
        time.sleep(0.05)
