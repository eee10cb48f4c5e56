"""Configurations as no one should write them: one clear line each, at once."""

import subprocess
import time

import pytest

from logger.config import load_config
from logger.errors import ConfigError
from logger.sources import open_source

CHARGER = "[charger]\nrated_w = 110\n"
SERIAL = CHARGER + '[source]\nkind = "serial"\nport = "p"\n[source.decoder]\nkind = "pattern"\n'
FIELDS = '\n[source.fields]\nvoltage_v = "v"\n'
PARTS = "no setting has a name of so many parts"
BAD = {
    "400 digits": (CHARGER.replace("110", "1" * 400), "charger.rated_w: got 1"),
    "5,000 digits": (CHARGER.replace("110", "1" * 5_000), "not a valid TOML file"),
    "400 digits, whole": (CHARGER + "[store]\nraw_hours = " + "9" * 400, "store.raw_hours: got 9"),
    "400 digits, date": (CHARGER + "fitted = " + "9" * 400, "charger.fitted: got 9"),
    "1e999": (CHARGER.replace("110", "1e999"), "charger.rated_w: got inf"),
    "400 digits in a list": (
        CHARGER + "design_life_h = [1, " + "9" * 400 + "]", "design_life_h: got",
    ),
    "parentheses": (SERIAL + f"pattern = '{'(' * 5_000}'" + FIELDS, "pattern: is no valid pattern"),
    "closed parentheses": (
        SERIAL + f"pattern = '{'(' * 4_900}{')' * 4_900}'" + FIELDS, "pattern",
    ),
    "lists": (CHARGER + "x = " + "[" * 100_000 + "]" * 100_000, "is longer than 10,000 characters"),
    "lists on lines": (CHARGER + "x = " + "[\n" * 100_000 + "]\n" * 100_000, "nested too deeply"),
    "tables": (CHARGER + "x = " + "{a = " * 1_400 + "1" + "}" * 1_400, "nested too deeply"),
    "dotted": (CHARGER + "a." * 499_000 + "a = 1\n", "is longer than 10,000 characters"),
    "dotted, shorter": (CHARGER + "a." * 4_900 + "a = 1\n", PARTS),
    "dotted table": (CHARGER + "[" + "a." * 4_900 + "a]\n", PARTS),
    "many dotted": (
        CHARGER + "".join(f"{'a.' * 19}k{k} = 1\n" for k in range(17_000)),
        "is not a known setting",
    ),
    "large": (CHARGER + "#" * 60 + "\n" * 1_000_000, "is larger than 1 MB"),
    "long key": (CHARGER + "k" * 9_000 + " = 1", "is not a known setting"),
    "odd key": (CHARGER + '"\\u001b[2J\\u0000" = 1', "is not a known setting"),
    "odd text": (CHARGER + 'label = "a\\u001b[2J"', "text without control characters"),
    "spaces": (CHARGER + "x = '''\n" + ("[" + " " * 9_000 + "\n") * 100 + "'''", "is not a known"),
    "binary": (b"\x00\x01\xff" * 999, "not text in UTF-8"),
    "nothing": (b"\0" * 9_999, "not a valid TOML file"),
    "carriage returns": (b"[charger]\rrated_w = 1", "not a valid TOML file"),
    "a long port": (SERIAL.replace('"p"', f'"{"p" * 9_000}"'), "source.port: got 'ppp"),
    "a long kind": (CHARGER + f'[source]\nkind = "{"k" * 9_000}"', "source.kind: got"),
    "many lines": (CHARGER + "[x]\n" * 100_000, "not a valid TOML file"),
}  # fmt: skip


@pytest.mark.parametrize("name", BAD)
def test_a_bad_configuration_is_one_clear_line_at_once(tmp_path, name):
    content, words = BAD[name]
    path = tmp_path / "ebbwatt.toml"
    path.write_bytes(content if isinstance(content, bytes) else content.encode())
    began_s = time.process_time()
    with pytest.raises(ConfigError) as caught:
        open_source(load_config(path))
    # The time of the processor: a busy machine does not matter.
    assert time.process_time() - began_s < 5.0
    text = str(caught.value)
    assert text.startswith(str(path))
    assert words in text
    assert len(text) < 2_000
    assert text.isprintable()


@pytest.mark.parametrize("path", ["/dev/zero", "/dev/null", "/proc/self/mem", "/", "pipe"])
def test_what_is_no_file_is_not_read(tmp_path, ebbwatt, path):
    if path == "pipe":
        path = tmp_path / "pipe"
        subprocess.run(["mkfifo", path], check=True)
    for command in ("check", "report", "log"):
        done = ebbwatt(command, "--config", path, status=2)
        assert len(done.stderr.splitlines()) == 1
        assert done.stderr.startswith(f"ebbwatt: {path}: ")
