"""`ebbwatt check`: what is good, what is wrong, and what a recording says to it."""

import json
import os
import random
import re
import subprocess
import sys

import pytest

from analysis.history.history import load_history
from tests.conftest import ROOT, unmeasured
from tests.support.rigs.devices.described_line import described_line, feed, probe

DEVICES = sorted((ROOT / "fixtures/devices").glob("*.toml"))


@pytest.fixture
def place(tmp_path):
    yield from described_line(tmp_path)


@pytest.mark.parametrize("path", DEVICES, ids=lambda path: path.stem)
def test_every_example_is_a_good_description(ebbwatt, path):
    assert "a good description" in ebbwatt("check", path).stdout


@pytest.mark.parametrize(
    ("source", "says"),
    [
        ('kind = "serail"\n', "line 4: source.kind: got 'serail' (did you mean serial?)"),
        ('kind = "serial"\nprot = "x"\n', "line 5: source.prot: is not a known setting"),
        ('kind = "serial"\nport = "x"\ndescription = "none.toml"\n', "beside ebbwatt.toml"),
        ('kind = "serial"\nport = "x"\ndescription = "junk.toml"\n', "not text in UTF-8"),
        ('kind = "serial"\nport = "x"\ndescription = "."\n', "is no plain file"),
    ],
)
def test_a_wrong_source_is_never_called_good(ebbwatt, tmp_path, source, says):
    (tmp_path / "ebbwatt.toml").write_text(f"[charger]\nrated_w = 110\n[source]\n{source}")
    (tmp_path / "junk.toml").write_bytes(b"\xff\xfe\x00")
    done = ebbwatt("check", cwd=tmp_path, status=2)
    assert done.stdout == ""
    assert says in done.stderr
    assert all(line.startswith("ebbwatt: ") for line in done.stderr.splitlines())


_WRONG_EVERYWHERE = """\
[charger]
rated_w = -4
lable = "x"
[battery]
chemistry = "lead"
[service.filter]
hours = 500
[service.drain]
[source]
kind = "serial"
bord = 3
port = "/dev/ttyUSB0"
[source.decoder]
kind = "keyvalue"
[source.fields]
voltage_v = { from = "U", unit = "kV" }
current_x = "I"
[source.states]
RUN = "runing"
[publish.textfile]
path = "x.txt"
"""


def test_check_tells_everything_that_is_wrong_and_other_commands_the_first(ebbwatt, tmp_path):
    path = tmp_path / "ebbwatt.toml"
    path.write_text(_WRONG_EVERYWHERE)
    done = ebbwatt("check", cwd=tmp_path, status=2)
    assert done.stdout == ""
    told = done.stderr.splitlines()
    # One error for each of these lines, in their order.
    wrong = (2, 3, 5, 8, 11, 16, 17, 19, 21)
    assert [line.split("line ")[1].split(":")[0] for line in told] == [str(n) for n in wrong]
    other = ebbwatt("report", cwd=tmp_path, status=2).stderr
    assert other.count("\n") == 1
    assert "(and 3 more: 'ebbwatt check' shows all)" in other
    # Mended one after the other, what is left is still told, until nothing is wrong.
    lines = _WRONG_EVERYWHERE.splitlines()
    mended = {2: "rated_w = 110", 3: "", 5: "", 8: "", 11: "", 16: 'voltage_v = "U"',
              17: 'current_a = "I"', 19: "", 21: 'path = "x.prom"'}  # fmt: skip
    for count, number in enumerate(wrong, start=1):
        lines[number - 1] = mended[number]
        if number == 19:
            lines[17] = ""
        path.write_text("\n".join(lines))
        left = len(wrong) - count
        said = ebbwatt("check", cwd=tmp_path, status=2 if left else 0)
        assert len(said.stderr.splitlines()) == left


def test_a_configuration_is_checked_and_told(ebbwatt, place):
    text = ebbwatt("check", cwd=place[0]).stdout
    for part in ("a good configuration", "rated 110 W", "ebbwatt.db", "keyvalue on charger"):
        assert part in text


@pytest.mark.parametrize(
    ("old", "new", "says"),
    [
        ("keyvalue", "keyvalu", ["line 12", "decoder.kind", "did you mean keyvalue?"]),
        ('"min"', '"minutes"', ["fields.runtime_h.unit", "accepted: h, min, s"]),
        ('RUN = "running"', 'RUN = "runing"', ["states.RUN", "did you mean running?"]),
        ("[fields]", "[feilds]", ["feilds", "did you mean fields?"]),
        ("baud = 9600", "baud = 3", ["line.baud", "from 50 to 4000000"]),
        ("[line]\nbaud = 9600", "[ble]\ncompany = '1'", ["ble.company", "such as FFFF"]),
    ],
)
def test_a_bad_description_names_the_line_and_what_is_accepted(ebbwatt, place, old, new, says):
    path = place[0] / "device.toml"
    path.write_text(path.read_text().replace(old, new))
    done = ebbwatt("check", path, status=2)
    assert done.stderr.count("\n") == 1
    for part in ("device.toml", *says):
        assert part in done.stderr


@pytest.mark.parametrize(
    ("name", "says"),
    [
        ("empty", "no reading decodes"),
        ("folder", "cannot be read: Is a directory"),
        ("pipe", "is no plain file; copy what it gives into one"),
        ("broken.jsonl", "line 2: is not a line of a capture"),
        ("noise", "no reading decodes"),
    ],
)
def test_what_is_no_recording_is_one_line_and_status_1(ebbwatt, place, name, says):
    folder, _ = place
    (folder / "empty").touch()
    (folder / "folder").mkdir()
    os.mkfifo(folder / "pipe")
    (folder / "broken.jsonl").write_text('{"capture": 1, "began": "2026-05-03T14:05:30Z"}\nx\n')
    (folder / "noise").write_bytes(random.Random(1).randbytes(20000))
    done = ebbwatt("check", "device.toml", "--against", name, cwd=folder, status=1)
    assert says in done.stderr
    assert done.stderr.count("\n") == 1


def test_a_recording_that_is_not_there_is_wrong_use(ebbwatt, place):
    done = ebbwatt("check", "device.toml", "--against", "missing", cwd=place[0], status=2)
    assert done.stderr == "ebbwatt: missing: there is no such file\n"


def test_a_capture_that_was_cut_gives_its_whole_lines(ebbwatt, place):
    folder, _ = place
    data = b"U=13.52 I=4.20 MODE=RUN RT=48750\n"
    probe(ebbwatt, place, data, "--capture", "talk.jsonl", "--count", "8")
    talk = folder / "talk.jsonl"
    talk.write_bytes(talk.read_bytes()[:-20])
    # On a busy machine several messages came in one piece, and the cut costs the whole of it.
    pieces = [json.loads(line)["bytes"] for line in talk.read_text().splitlines()[1:-1]]
    left = bytes.fromhex("".join(pieces)).count(data) - 1  # the first line may lack its beginning
    assert left > 0
    done = ebbwatt("check", "device.toml", "--against", talk, cwd=folder)
    assert f"{left} readings, 0 refused" in done.stdout


def test_a_long_recording_is_not_held_in_memory(place, child_env):
    folder, _ = place
    (folder / "long").write_bytes(b"U=13.52 I=4.20 MODE=RUN RT=48750 T=31.5\r\n" * 40_000)
    code = (
        "import resource, sys\nfrom analysis.cli import main\n"
        "status = main(['check', 'device.toml', '--against', sys.argv[1]])\n"
        "print(status, resource.getrusage(resource.RUSAGE_SELF).ru_maxrss)"
    )
    peaks = []
    for name in ("short", "long"):
        (folder / "short").write_bytes((folder / "long").read_bytes()[:4300])
        done = subprocess.run(
            [sys.executable, "-c", code, name],
            cwd=folder, env=unmeasured(child_env), capture_output=True, text=True, check=True,
            timeout=200,
        )  # fmt: skip
        status, peak = done.stdout.split()[-2:]
        assert status == "0"
        peaks.append(int(peak))
    assert peaks[1] - peaks[0] < 2048, "KiB; the file has 1700 and its readings ten times that"


def test_a_description_that_fits_nothing_is_status_1(ebbwatt, place):
    folder, _ = place
    (folder / "noise.bin").write_bytes(b"nothing of the kind\n" * 5)
    done = ebbwatt("check", "device.toml", "--against", "noise.bin", cwd=folder, status=1)
    assert "5 x no key and value" in done.stdout
    assert "no reading decodes" in done.stderr


def test_a_wrong_interval_is_told_by_probe_with_the_line_to_write(ebbwatt, place):
    folder, line = place
    with (folder / "ebbwatt.toml").open("a") as file:
        file.write("[log]\ninterval_s = 60\n")
    thread = feed(line, b"U=13.20 I=5.100 MODE=RUN RT=7200\r\n", every_s=0.2)
    done = ebbwatt("probe", "--seconds", "4", cwd=folder)
    line.unplug()
    thread.join()
    told = re.search(r"readings come every (\S+) s, not every 60 s as interval_s says", done.stdout)
    # On a busy machine some come later, and some in one burst.
    assert float(told[1]) == pytest.approx(0.2, rel=0.5)


def slow_recording(folder, interval):
    """Write a recording of a source every ten seconds, and a configuration that replays it."""
    rows = "".join(f"{1_750_000_000 + 10 * k},13.2,6.5,running\n" for k in range(720))
    (folder / "slow.csv").write_text("time,voltage_v,current_a,state\n" + rows)
    (folder / "ebbwatt.toml").write_text(
        f'[charger]\nrated_w = 110\n[log]\n{interval}\n[source]\nkind = "replay"\n'
        'path = "slow.csv"\n'
    )


@pytest.mark.parametrize("interval", ["", "interval_s = 1"])
def test_check_probe_and_log_tell_a_wrong_interval_and_none_loses_anything(
    ebbwatt, tmp_path, interval
):
    slow_recording(tmp_path, interval)
    words = "readings come every 10 s, not every 1 s as interval_s says"
    assert (words in ebbwatt("check", cwd=tmp_path, status=1 if interval else 0).stdout) is bool(
        interval
    )
    assert (words in ebbwatt("probe", cwd=tmp_path).stdout) is bool(interval)
    assert (words in ebbwatt("log", cwd=tmp_path).stderr) is bool(interval)
    history = load_history(tmp_path / "ebbwatt.db")
    assert history.duration_s.sum() == pytest.approx(7190, abs=40)
    assert history.charge_c.sum() == pytest.approx(7190 * 6.5, abs=40 * 6.5)


def test_the_size_of_blocks_is_told_where_it_wears_a_card(ebbwatt, place):
    folder, _ = place
    told = ebbwatt("check", cwd=folder).stdout
    usual = os.statvfs(folder).f_frsize == 4096
    assert ("card      blocks of 4096 bytes" in told) == usual
    text = (folder / "ebbwatt.toml").read_text().split("[source]")[0]
    (folder / "ebbwatt.toml").write_text(text)
    assert "blocks of" not in ebbwatt("check", cwd=folder).stdout, "nothing is written all day long"


def test_a_cross_section_that_no_cable_has_is_no_good_configuration(ebbwatt, tmp_path):
    wiring = "[wiring]\ncross_section_mm2 = 7\nlength_m = 2\n"
    (tmp_path / "ebbwatt.toml").write_text(f"[charger]\nrated_w = 110\n{wiring}")
    done = ebbwatt("check", cwd=tmp_path, status=2)
    assert "line 4: wiring.cross_section_mm2: a cross-section of 7 mm2 is not a" in done.stderr
    assert "accepted: 1, 1.5, 2.5, 4" in done.stderr
    assert "good" not in done.stdout
