"""``probe`` finds a SunSpec device by Modbus TCP, and what it writes works."""

import pytest

from tests.support.rigs.devices.modbus_tcp import Server, sunspec


@pytest.fixture
def sunspec_device(child_env):
    made = []

    def start(registers):
        made.append(Server(registers, child_env))
        return made[-1]

    yield start
    for device in made:
        device.end()


HEAD = '[charger]\nrated_w = 110\n[source]\nkind = "modbus_tcp"\nhost = "127.0.0.1"\n'


@pytest.mark.parametrize("base", [40000, 0, 50000])
def test_probe_writes_a_description_that_works(base, tmp_path, sunspec_device, ebbwatt):
    device = sunspec_device(sunspec(base, ports=2))
    config = HEAD + f"port = {device.port}\nallow_network = true\n"
    (tmp_path / "ebbwatt.toml").write_text(config)
    shown = ebbwatt("probe", cwd=tmp_path).stdout
    assert f"SunSpec at register {base}, Invented Charger 110\n" in shown
    assert f"models: 1 at {base + 2}, 701 at {base + 70}, 714 at {base + 225}\n" in shown
    assert "DC port 1 'output', injecting: DCA 8, DCV 13.2, DCW 105.6, Tmp not implemented" in shown
    assert "DC port 2 'spare', energy storage: DCA not implemented, DCV not implemented" in shown
    assert "state InvSt: running\n  state St: running\n" in shown
    written = ebbwatt("probe", "--write", "device.toml", cwd=tmp_path).stdout
    assert "device.toml" in written
    assert (tmp_path / "device.toml").read_text() == shown.split("description = FILE\n")[1]
    ebbwatt("check", "device.toml", cwd=tmp_path)
    (tmp_path / "ebbwatt.toml").write_text(config + 'description = "device.toml"\n')
    ebbwatt("check", cwd=tmp_path)
    probed = ebbwatt("probe", "--count", "2", cwd=tmp_path).stdout
    assert "13.2 V, 8 A, running" in probed
    assert "2 readings, 0 refused" in probed


def test_probe_says_what_a_device_without_sunspec_needs(tmp_path, sunspec_device, ebbwatt):
    device = sunspec_device({0: [1, 2, 3], 40000: [4, 5, 6]})
    (tmp_path / "ebbwatt.toml").write_text(HEAD + f"port = {device.port}\nallow_network = true\n")
    told = ebbwatt("probe", cwd=tmp_path, status=1).stderr
    assert "no 'SunS' at register 40000, 0, 50000: the device does not follow SunSpec" in told
    assert 'use kind = "modbus" there' in told
