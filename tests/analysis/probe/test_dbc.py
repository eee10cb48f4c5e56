"""``ebbwatt check`` compiles a DBC where it is needed, and says what it needs for it."""

import subprocess
import sys

import pytest

from tests.conftest import ROOT

DEVICE = ROOT / "fixtures/devices/can-frames.toml"
CONFIG = '[charger]\nrated_w = 110\n[source]\nkind = "can"\ninterface = "can0"\n'


@pytest.fixture
def folder(tmp_path):
    (tmp_path / "can-frames.dbc").write_bytes(DEVICE.with_suffix(".dbc").read_bytes())
    (tmp_path / "device.toml").write_bytes(DEVICE.read_bytes())
    (tmp_path / "ebbwatt.toml").write_text(CONFIG + 'description = "device.toml"\n')
    return tmp_path


def test_it_is_compiled_once_and_again_when_it_changes(folder, ebbwatt):
    told = "compiled into can-frames.dbc.json, 6 signals"
    assert told in ebbwatt("check", cwd=folder).stdout
    assert "field     voltage_v from 'OutVolts' in V" in ebbwatt("check", cwd=folder).stdout
    assert told not in ebbwatt("check", cwd=folder).stdout
    dbc = folder / "can-frames.dbc"
    dbc.write_text(dbc.read_text().replace("(0.01,0) [0|64]", "(0.1,0) [0|64]"))
    refused = ebbwatt("probe", "--seconds", "1", cwd=folder, status=2).stderr
    assert "can-frames.dbc has changed since: run 'ebbwatt check'" in refused
    assert told in ebbwatt("check", "device.toml", cwd=folder).stdout
    assert '"scale": 0.1,' in (folder / "can-frames.dbc.json").read_text()


def test_inside_one_of_two_sources(folder, ebbwatt):
    tables = DEVICE.read_text().replace("[decoder]", "[source.decoder]")
    tables = tables.replace("[device]", "[source.device]").replace("[fields]", "[source.fields]")
    tables = tables.replace("[states]", "[source.states]")
    both = CONFIG.replace("[source]", "[[source]]") + tables
    (folder / "ebbwatt.toml").write_text(both + '[[source]]\nkind = "simulated"\n')
    shown = ebbwatt("check", cwd=folder).stdout
    assert "compiled into can-frames.dbc.json" in shown
    assert "can (invented CAN charger, can on can0) gives voltage_v, current_a" in " ".join(
        shown.split()
    )


def test_without_cantools_it_says_what_to_install(folder, ebbwatt, child_env):
    (folder / "without").mkdir()
    (folder / "without" / "cantools.py").write_text("raise ImportError('none')\n")
    path = f"{folder / 'without'}:{child_env['PYTHONPATH']}"
    told = ebbwatt("check", cwd=folder, status=2, env={"PYTHONPATH": path}).stderr
    assert "can-frames.dbc: to compile it, cantools is needed: pip install 'ebbwatt[can]'" in told


def test_what_is_no_dbc_is_told_in_a_line(folder, ebbwatt):
    (folder / "can-frames.dbc").write_bytes(b"\x7fELF" + bytes(range(256)))
    told = ebbwatt("check", cwd=folder, status=2).stderr
    assert "can-frames.dbc: no DBC that can be compiled" in told
    assert told.count("\n") == 1
    assert not (folder / "can-frames.dbc.json").exists()


def test_another_file_in_the_place_of_the_compiled_one_is_kept(folder, ebbwatt):
    (folder / "can-frames.dbc.json").write_text('{"mine": 1}')
    told = ebbwatt("check", cwd=folder, status=2).stderr
    assert "can-frames.dbc.json" in told
    assert (folder / "can-frames.dbc.json").read_text() == '{"mine": 1}'


def test_the_logger_never_loads_cantools(child_env):
    code = (
        "import sys\nfrom pathlib import Path\n"
        "from logger.sources.can.source import checked_decoder\n"
        "from logger.sources.description import read_description\n"
        f"made = checked_decoder(read_description(Path({str(DEVICE)!r})))\n"
        "print(len(made.identifiers), 'cantools' in sys.modules, 'can' in sys.modules)\n"
    )
    done = subprocess.run(
        [sys.executable, "-c", code], env=child_env, capture_output=True, text=True, check=True
    )
    assert done.stdout == "2 False False\n"
