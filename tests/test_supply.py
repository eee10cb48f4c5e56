"""What a boat installs: nothing without a hash, and a wheel that holds the program alone."""

import base64
import csv
import hashlib
import io
import re
import subprocess
import sys
import tarfile
import tomllib
import zipfile

import pytest

from tests.conftest import ROOT
from tests.support.missing import library

LOCKS = ("requirements.lock", "tests/requirements.lock", "tests/tools.lock")


def locked(name):
    """Return the hashes of each locked package by its name, normalised as PEP 503 says."""
    text = (ROOT / name).read_text(encoding="utf-8").replace("\\\n", " ")
    found = {}
    for line in text.splitlines():
        wanted, *hashes = re.split(r"\s+--hash=", line.strip())
        match = re.match(r"([A-Za-z0-9._-]+)==([^\s;]+)", wanted)
        assert match, line
        found[normal(match[1])] = (match[2], hashes)
    return found


def normal(name):
    return re.sub(r"[-_.]+", "-", name).lower()


@pytest.mark.parametrize("name", LOCKS)
def test_every_locked_package_has_the_hashes_of_its_files_and_no_place(name):
    packages = locked(name)
    assert len(packages) > 10
    for package, (_, hashes) in packages.items():
        assert hashes, package
        # SHA-256, as pip's secure installs ask for: 64 hexadecimal digits.
        assert all(re.fullmatch(r"sha256:[0-9a-f]{64}", one) for one in hashes), package
    text = (ROOT / name).read_text(encoding="utf-8")
    assert not re.search(r"://|index-url|find-links|@", text)


def test_every_dependency_is_locked_and_what_runs_is_the_same_in_tests():
    project = tomllib.loads((ROOT / "pyproject.toml").read_text(encoding="utf-8"))
    runs, tests = locked(LOCKS[0]), locked(LOCKS[1])
    for wanted, there in (
        (project["project"]["dependencies"], runs),
        (project["dependency-groups"]["dev"], tests),
    ):
        for line in wanted:
            assert normal(re.match(r"[A-Za-z0-9._-]+", line)[0]) in there, f"make lock: {line}"
    assert runs.items() <= tests.items()
    # Compiled packages have wheels for several machines, all of which are listed.
    for compiled in ("numpy", "scipy", "pandas", "dbus-fast", "markupsafe"):
        assert len(runs[compiled][1]) > 10, compiled


@pytest.fixture(scope="module")
def wheel(tmp_path_factory):
    """Build the wheel from a copy of what is installed, with the build back end that is there."""
    library("hatchling")
    folder = tmp_path_factory.mktemp("wheel")
    code = "import sys; from hatchling.build import build_wheel; print(build_wheel(sys.argv[1]))"
    done = subprocess.run(
        [sys.executable, "-c", code, str(folder)], cwd=ROOT, capture_output=True, text=True,
        check=False,
    )  # fmt: skip
    assert done.returncode == 0, done.stderr
    return zipfile.ZipFile(folder / done.stdout.split()[-1])


def test_the_source_archive_holds_what_its_two_commands_need(tmp_path):
    subprocess.run(
        [sys.executable, "-m", "hatchling", "build", "-t", "sdist", "-d", str(tmp_path)],
        cwd=ROOT,
        check=True,
        capture_output=True,
    )
    (path,) = tmp_path.glob("*.tar.gz")
    with tarfile.open(path) as archive:
        archive.extractall(tmp_path, filter="data")
    (unpacked,) = (p for p in tmp_path.iterdir() if p.is_dir())
    for name in ("README.md", "DEVELOPERS.md", "LICENSE", "CHANGELOG.md", "tests/conftest.py"):
        assert (unpacked / name).is_file(), name
    # A dry run fails where a file that a target needs is missing.
    for target in ("demo", "test"):
        subprocess.run(["make", "-n", target], cwd=unpacked, check=True, capture_output=True)


def test_the_wheel_holds_the_program_and_nothing_else(wheel):
    names = set(wheel.namelist())
    ours = {
        path.relative_to(ROOT).as_posix()
        for package in ("logger", "analysis")
        for path in (ROOT / package).rglob("*")
        if path.is_file() and "__pycache__" not in path.parts
    }
    about = {name for name in names if name.split("/")[0].endswith(".dist-info")}
    assert names - about == ours
    assert all(name.endswith((".py", ".md", "py.typed", ".css", ".js")) for name in ours)
    assert {name.partition("/")[2] for name in about} == {
        "METADATA", "WHEEL", "RECORD", "entry_points.txt", "licenses/LICENSE",
    }  # fmt: skip
    assert max(info.file_size for info in wheel.infolist()) < 1_000_000


def test_the_record_of_the_wheel_is_true(wheel):
    """Binary distribution format: RECORD has the SHA-256 of each file, urlsafe, unpadded."""
    (record,) = [name for name in wheel.namelist() if name.endswith("/RECORD")]
    rows = list(csv.reader(io.StringIO(wheel.read(record).decode())))
    assert {row[0] for row in rows} == set(wheel.namelist())
    for name, digest, _ in rows:
        if name != record:
            raw = hashlib.sha256(wheel.read(name)).digest()
            assert digest == "sha256=" + base64.urlsafe_b64encode(raw).rstrip(b"=").decode()


def test_the_metadata_names_what_the_project_needs(wheel):
    (about,) = [name for name in wheel.namelist() if name.endswith("/METADATA")]
    text = wheel.read(about).decode()
    needs = re.findall(r"^Requires-Dist: ([A-Za-z0-9._-]+)(?![^\n]*extra ==)", text, re.MULTILINE)
    project = tomllib.loads((ROOT / "pyproject.toml").read_text(encoding="utf-8"))["project"]
    wanted = [re.match(r"[A-Za-z0-9._-]+", line)[0] for line in project["dependencies"]]
    assert sorted(map(normal, needs)) == sorted(map(normal, wanted))
    assert "License-Expression: MIT" in text
    assert "Requires-Python: >=3.11" in text
