"""The unit files and the installation, by the word of systemd's own programs."""

import os
import pwd
import re
import subprocess
import sys
import sysconfig

import pytest

from tests.conftest import ROOT
from tests.support.missing import library, unable

SYSTEMD = ROOT / "systemd"
UNITS = (
    "ebbwatt.service",
    "ebbwatt-publish.service",
    "ebbwatt-report.service",
    "ebbwatt-report.timer",
)


def run(*command, **keywords):
    return subprocess.run(command, capture_output=True, text=True, check=False, **keywords)


def test_the_units_are_well_formed(program, tmp_path):
    analyze = program("systemd-analyze", "systemd")
    for name in UNITS:
        # verify insists that the program exists, which it does on a board only.
        text = (SYSTEMD / name).read_text().replace("/opt/ebbwatt/bin/ebbwatt", "/bin/true")
        (tmp_path / name).write_text(text)
    done = run(analyze, "verify", *[tmp_path / name for name in UNITS])
    assert [line for line in done.stderr.splitlines() if "ebbwatt" in line] == []


def exposure(analyze, unit):
    done = run(analyze, "security", "--offline=true", "--no-pager", unit)
    return float(re.search(r"exposure level for \S+: ([0-9.]+)", done.stdout)[1])


@pytest.mark.parametrize("name", UNITS[:3])
def test_they_are_locked_down(program, name):
    # systemd-analyze security: exposure from 0 (locked down) to 10; at most 1.0 is asked for.
    assert exposure(program("systemd-analyze", "systemd"), SYSTEMD / name) <= 1.0


def test_it_stays_locked_down_where_it_may_ask_the_kernel_for_the_clock(program, tmp_path):
    analyze = program("systemd-analyze", "systemd")
    both = (SYSTEMD / "ebbwatt.service", SYSTEMD / "kernel-clock.conf")
    unit = tmp_path / "ebbwatt.service"
    unit.write_text("".join(path.read_text() for path in both))
    assert exposure(analyze, unit) <= 1.0
    assert exposure(analyze, unit) > exposure(analyze, both[0]), "the drop-in changes something"
    # What it allows must be what the lock forbids: systemd's own list of calls.
    forbidden = run(analyze, "syscall-filter", "@clock").stdout.split()
    allowed = re.search(r"SystemCallFilter=(.*)", both[1].read_text())[1].split()
    assert set(allowed) <= set(forbidden)


def with_drop_in(folder, name):
    """Return the unit with a drop-in as systemd would read them together."""
    unit = folder / "ebbwatt.service"
    text = "".join((SYSTEMD / part).read_text() for part in ("ebbwatt.service", name))
    unit.write_text(text.replace("/opt/ebbwatt/bin/ebbwatt", "/bin/true"))
    return unit


def test_over_the_network_it_reaches_one_address_and_nothing_else(program, tmp_path):
    analyze = program("systemd-analyze", "systemd")
    unit = with_drop_in(tmp_path, "modbus-tcp.conf")
    done = run(analyze, "verify", unit)
    assert [line for line in done.stderr.splitlines() if "ebbwatt" in line] == []
    # A network costs points in systemd's count: 1.0 without, 1.6 with one open to everybody.
    assert exposure(analyze, unit) < 1.6
    shown = unit.read_text()
    assert re.findall(r"^IPAddress\w+=.*", shown, re.MULTILINE) == [
        "IPAddressDeny=any",
        "IPAddressAllow=192.0.2.10",
    ]


def test_a_can_bus_opens_no_way_to_any_network(program, tmp_path):
    analyze = program("systemd-analyze", "systemd")
    unit = with_drop_in(tmp_path, "can.conf")
    done = run(analyze, "verify", unit)
    assert [line for line in done.stderr.splitlines() if "ebbwatt" in line] == []
    assert exposure(analyze, unit) < 1.6
    families = re.findall(r"^RestrictAddressFamilies=(.*)", unit.read_text(), re.MULTILINE)
    assert families == ["AF_UNIX", "AF_UNIX AF_CAN"], "lists add up: no internet"


def test_the_service_restarts_but_not_on_a_wrong_configuration_and_is_watched(ebbwatt, tmp_path):
    text = (SYSTEMD / "ebbwatt.service").read_text()
    settings = dict(re.findall(r"^(\w+)=(.*)$", text, re.MULTILINE))
    assert settings["Restart"] == "always"
    assert settings["StartLimitIntervalSec"] == "0"
    assert settings["Type"] == "notify"
    assert int(settings["WatchdogSec"]) > 20, "longer than a slow card may take"
    (tmp_path / "ebbwatt.toml").write_text("[charger]\nrated_w = -1\n")
    done = ebbwatt("log", cwd=tmp_path, status=int(settings["RestartPreventExitStatus"]))
    assert "rated_w" in done.stderr


def test_the_report_and_the_backup_are_commands_that_work(ebbwatt, tmp_path):
    text = (SYSTEMD / "ebbwatt-report.service").read_text()
    commands = re.findall(r"^ExecStart=/opt/ebbwatt/bin/ebbwatt (.*)$", text, re.MULTILINE)
    assert [command.split()[0] for command in commands] == ["report", "backup"]
    assert "/var/lib/ebbwatt/report" in text
    assert re.search(r"^StateDirectory=.*ebbwatt/report", text, re.MULTILINE)
    (tmp_path / "report").mkdir()
    (tmp_path / "ebbwatt.toml").write_text("[charger]\nrated_w = 110\n")
    (tmp_path / "a.csv").write_text("time,voltage_v\n1700000000,12.6\n1700000001,12.6\n")
    ebbwatt("import", "a.csv", cwd=tmp_path)
    for command in commands:
        there = command.replace("/var/lib/ebbwatt", str(tmp_path))
        ebbwatt(*there.replace("/etc/ebbwatt", str(tmp_path)).split())
    found = {path.name for path in (tmp_path / "report").iterdir()}
    assert found == {"report.html", "assessment.json", "ebbwatt-backup.db"}
    # The next week's backup takes the place of the last one.
    ebbwatt(*there.replace("/etc/ebbwatt", str(tmp_path)).split())


def test_the_drivers_of_adapters_are_there_before_the_device_groups_are_looked_up():
    # systemd.resource-control(5): "Any device groups not resolvable then are not added".
    text = (SYSTEMD / "ebbwatt.service").read_text()
    for module in ("usbserial", "cdc_acm"):
        for word in ("Wants", "After"):
            assert re.search(rf"^{word}=.*modprobe@{module}\.service", text, re.MULTILINE)


def test_the_user_and_the_folders_are_made(program, tmp_path):
    sysusers = program("systemd-sysusers", "systemd")
    tmpfiles = program("systemd-tmpfiles", "systemd")
    if os.getuid() != 0:
        unable("only root can give a folder to another user")
    etc = tmp_path / "etc"
    etc.mkdir()
    (etc / "passwd").write_text("root:x:0:0::/root:/bin/sh\n")
    (etc / "group").write_text("root:x:0:\ndialout:x:20:\n")
    done = run(sysusers, f"--root={tmp_path}", SYSTEMD / "ebbwatt.sysusers")
    assert done.returncode == 0, done.stderr
    assert "dialout:x:20:ebbwatt\n" in (etc / "group").read_text()
    user = next(line for line in (etc / "passwd").read_text().splitlines() if "ebbwatt" in line)
    assert user.endswith(":/var/lib/ebbwatt:/usr/sbin/nologin")
    done = run(tmpfiles, "--create", f"--root={tmp_path}", SYSTEMD / "ebbwatt.tmpfiles")
    assert (done.returncode, done.stderr) == (0, "")
    place = (tmp_path / "var/lib/ebbwatt").stat()
    assert (place.st_uid, place.st_mode & 0o777) == (int(user.split(":")[2]), 0o750)
    assert pwd.getpwuid((etc / "ebbwatt").stat().st_uid).pw_name == "root"


def test_each_line_of_the_udev_example_is_a_rule_and_leaves_the_port_to_its_group():
    # udev(7): comma-separated KEY op "value"; keys and operators as listed there.
    key = r'(SUBSYSTEM|ENV\{\w+\}|SYMLINK|GROUP|MODE)(==|!=|=|\+=|:=)"[^"]*"'
    lines = (SYSTEMD / "ebbwatt.rules").read_text().splitlines()
    rules = [line for line in lines if not line.startswith("#")]
    assert rules
    for rule in rules:
        assert re.fullmatch(rf"{key}(, {key})*", rule)
        assert 'GROUP="dialout"' in rule
        assert 'MODE="0660"' in rule


def test_make_install_puts_everything_under_destdir_and_the_program_runs(program, tmp_path):
    make = program("make", "make")
    library("hatchling")
    stage = tmp_path / "stage"
    environment = os.environ | {
        # Nothing is fetched: the build backend and what the program needs are here already.
        "PYTHONPATH": sysconfig.get_paths()["purelib"],
        "PIP_NO_INDEX": "1",
        "PIP_NO_DEPS": "1",
        "PIP_NO_BUILD_ISOLATION": "0",
    }
    install = (make, "-s", "-C", ROOT, "install", f"DESTDIR={stage}", f"PYTHON={sys.executable}")
    done = run(*install, env=environment)
    assert done.returncode == 0, done.stderr
    found = {str(p.relative_to(stage)) for p in stage.rglob("*") if p.is_file()}
    assert {f"etc/systemd/system/{name}" for name in UNITS} <= found
    for name in (
        "etc/sysusers.d/ebbwatt.conf",
        "etc/tmpfiles.d/ebbwatt.conf",
        "etc/ebbwatt/ebbwatt.toml",
        "opt/ebbwatt/share/ebbwatt.rules",
        "opt/ebbwatt/share/kernel-clock.conf",
        "opt/ebbwatt/share/modbus-tcp.conf",
        "opt/ebbwatt/share/can.conf",
    ):
        assert name in found
    program_ = stage / "opt/ebbwatt/bin/ebbwatt"
    assert program_.read_text().splitlines()[0] == "#!/opt/ebbwatt/bin/python"
    done = run(stage / "opt/ebbwatt/bin/python", program_, "--version", env=environment)
    assert re.fullmatch(r"ebbwatt \d+\.\d+\.\d+\S*\n", done.stdout)
    # Its own configuration is right, and a second installation leaves it alone.
    config = stage / "etc/ebbwatt/ebbwatt.toml"
    done = run(
        *(stage / "opt/ebbwatt/bin/python", program_, "check", "--config", config), env=environment
    )
    assert done.returncode == 0, done.stderr
    config.write_text("# mine\n")
    done = run(make, "-s", "-C", ROOT, "install-system", f"DESTDIR={stage}", "PREFIX=/srv/ebb")
    assert done.returncode == 0, done.stderr
    assert config.read_text() == "# mine\n"
    unit = (stage / "etc/systemd/system/ebbwatt.service").read_text()
    assert "ExecStart=/srv/ebb/bin/ebbwatt log" in unit


#: prctl(2) PR_SET_MDWE, PR_MDWE_REFUSE_EXEC_GAIN: what MemoryDenyWriteExecute= asks of the kernel
#: where it can (systemd.exec(5)); kept across execve.
NO_CODE_IN_DATA = """\
import ctypes, os, sys
if ctypes.CDLL(None).prctl(65, 1, 0, 0, 0) != 0:
    sys.exit(77)
os.execv(sys.executable, [sys.executable, "-m", "analysis", *sys.argv[1:]])
"""


def test_the_report_is_made_where_memory_is_never_both_written_and_run(tmp_path, child_env):
    (tmp_path / "ebbwatt.toml").write_text("[charger]\nrated_w = 110\n")
    rows = (f"{1.7e9 + 60 * k:.0f},13.2,{8.0 if k % 90 > 20 else 0.0}\n" for k in range(3000))
    (tmp_path / "a.csv").write_text("time,voltage_v,current_a\n" + "".join(rows))
    for command in (("import", "a.csv"), ("report", "--html", "r.html", "--json", "r.json")):
        done = run(*(sys.executable, "-c", NO_CODE_IN_DATA, *command), cwd=tmp_path, env=child_env)
        if done.returncode == 77:
            unable("this kernel is too old to ask (before Linux 6.3)")
        assert done.returncode == 0, done.stderr
    assert (tmp_path / "r.html").exists()


def test_who_publishes_reaches_this_machine_alone():
    text = (SYSTEMD / "ebbwatt-publish.service").read_text()
    assert re.findall(r"^IPAddress\w+=.*", text, re.MULTILINE) == [
        "IPAddressDeny=any",
        "IPAddressAllow=localhost",
    ]
    assert "User=ebbwatt-publish\nSupplementaryGroups=ebbwatt\n" in text
