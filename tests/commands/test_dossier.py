"""The warranty dossier: everything in one folder, with digests, the same bytes each time."""

import csv
import gzip
import json
import shutil
import subprocess

import pytest

from tests.support.empty import put_empty

CONFIG = '[boat]\nname = "Dabchick"\n[charger]\nrated_w = 110\nserial = "INVENTED-9"\n'
FILES = {"report.html", "assessment.json", "intervals.csv.gz", "events.csv", "configuration.json",
         "sensor.txt", "SHA256SUMS"}  # fmt: skip


@pytest.fixture
def place(tmp_path, ebbwatt):
    """Three days with a run of five hours each."""
    rows = ["time,voltage_v,current_a,state"]
    for minute in range(3 * 1440):
        runs = minute % 1440 < 300
        values = (13.2, 6.0, "running") if runs else (12.6, 0.0, "standby")
        rows.append(f"{1_700_006_400 + 60 * minute},{values[0]},{values[1]},{values[2]}")
    (tmp_path / "log.csv").write_text("\n".join(rows) + "\n")
    (tmp_path / "ebbwatt.toml").write_text(CONFIG)
    put_empty(tmp_path / "ebbwatt.db")
    ebbwatt("import", "log.csv", cwd=tmp_path)
    clamp = ("event", "add", "reading", "--current", "6.1", "--by", "Jo")
    told = ebbwatt(*clamp, "--at", "2023-11-15T02:00Z", cwd=tmp_path).stdout
    assert "the log holds 6.00 A of these minutes: the sensor is right" in told
    later = ebbwatt(*clamp, "--at", "2024-02-15T02:00Z", cwd=tmp_path)
    assert "the log holds nothing of these minutes yet" in later.stdout
    ebbwatt("event", "strike", "2", cwd=tmp_path)
    return tmp_path


def _bytes(folder):
    return {path.name: path.read_bytes() for path in folder.iterdir()}


def test_a_dossier_holds_it_all_and_its_digests_are_right(ebbwatt, program, place):
    ebbwatt("report", "--dossier", "dossier", cwd=place)
    folder = place / "dossier"
    assert set(_bytes(folder)) == FILES
    # GNU coreutils, and not this program, says whether the digests are right.
    sha256sum = program("sha256sum", "coreutils")
    check = [sha256sum, "--check", "--strict", "SHA256SUMS"]
    assert subprocess.run(check, cwd=folder, check=True, capture_output=True).returncode == 0
    report = (folder / "report.html").read_text()
    assert "Dabchick" in report
    assert report.count("<details") == report.count(' open=""><summary>'), "all is printed"
    document = json.loads((folder / "assessment.json").read_text())
    assert document["observed"]["running_hours"] == pytest.approx(15.0, abs=0.1)
    with gzip.open(folder / "intervals.csv.gz", "rt") as file:
        joules = sum(float(row["energy_j"]) for row in csv.DictReader(file))
    # By hand: 6 A at 13.2 V for three times five hours.
    assert joules / 3.6e6 == pytest.approx(6.0 * 13.2 * 15.0 / 1000.0, rel=0.01)
    assert "reading" in (folder / "events.csv").read_text()
    assert "6.1 A" in (folder / "sensor.txt").read_text()
    tables = json.loads((folder / "configuration.json").read_text())
    assert tables["charger"]["serial"] == "INVENTED-9"
    # One byte less, and the digest tells.
    (folder / "events.csv").write_bytes((folder / "events.csv").read_bytes()[:-1])
    assert subprocess.run(check, cwd=folder, check=False, capture_output=True).returncode == 1


def test_the_same_log_gives_the_same_bytes_and_another_log_does_not(ebbwatt, place):
    ebbwatt("report", "--dossier", "dossier", cwd=place)
    first = _bytes(place / "dossier")
    # Another folder, another name and another time; a report was made meanwhile.
    shutil.copytree(place, place.parent / "elsewhere")
    ebbwatt("report", "--html", "r.html", cwd=place)
    ebbwatt("report", "--dossier", "again", cwd=place.parent / "elsewhere")
    assert _bytes(place.parent / "elsewhere/again") == first
    ebbwatt("event", "add", "note", "--text", "x", "--at", "2023-11-16T02:00Z", cwd=place)
    ebbwatt("report", "--dossier", "dossier", cwd=place)
    second = _bytes(place / "dossier")
    changed = {name for name in FILES if first[name] != second[name]}
    assert changed == {"report.html", "events.csv", "SHA256SUMS"}


def test_a_folder_that_is_no_dossier_stays_as_it_is(ebbwatt, place):
    (place / "mine").mkdir()
    (place / "mine/letter.txt").write_text("dear Jo")
    (place / "half").mkdir()
    (place / "half/report.html").write_text("my own")
    for name, says in (
        ("mine", "letter.txt"),
        ("half", "holds no SHA256SUMS"),
        ("log.csv", "is no folder"),
        ("none/there", "does not exist"),
    ):
        before = sorted(p.relative_to(place) for p in place.rglob("*"))
        done = ebbwatt("report", "--dossier", name, cwd=place, status=2)
        assert says in done.stderr
        assert sorted(p.relative_to(place) for p in place.rglob("*")) == before
    assert (place / "mine/letter.txt").read_text() == "dear Jo"
