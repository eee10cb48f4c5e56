"""`ebbwatt probe` and `ebbwatt check`: what a fitter sees while writing a description."""

import json
import os
import random
import subprocess
import sys
import threading
import time
import tomllib

import pytest

from analysis.history.history import load_history
from analysis.probe.guesses import guess_kind
from analysis.probe.shown import quoted
from logger.sources.description import read_description
from tests.conftest import ROOT
from tests.support.rigs.devices.pty_line import PtyLine

DEVICES = sorted((ROOT / "fixtures/devices").glob("*.toml"))
SOURCE = """
[source]
kind = "serial"
port = "charger"
description = "device.toml"
"""


@pytest.fixture
def place(tmp_path):
    """Return a folder with a configuration for a line of text, and the line."""
    (tmp_path / "ebbwatt.toml").write_text("[charger]\nrated_w = 110\n" + SOURCE)
    (tmp_path / "device.toml").write_bytes((ROOT / "fixtures/devices/text-lines.toml").read_bytes())
    line = PtyLine(tmp_path / "charger")
    yield tmp_path, line
    line.unplug()


def feed(line, data, every_s=0.05, times=400):
    """Write data again and again in a thread until the line is unplugged."""

    def run():
        for _ in range(times):
            try:
                os.write(line.master, data)
            except OSError:
                return
            time.sleep(every_s)

    thread = threading.Thread(target=run, daemon=True)
    thread.start()
    return thread


def probe(ebbwatt, place, data, *options):
    folder, line = place
    thread = feed(line, data)
    done = ebbwatt("probe", "--seconds", "3", *options, cwd=folder)
    line.unplug()
    thread.join()
    return done.stdout


def test_raw_bytes_stand_beside_what_they_mean(ebbwatt, place):
    data = b"U=13.52 I=4.20 MODE=RUN RT=48750 T=31.5\r\n"
    text = probe(ebbwatt, place, data, "--count", "5")
    assert "U=13.52 I=4.20 MODE=RUN RT=48750 T=31.5" in text
    assert "13.52 V, 4.2 A, runtime 812.5 h, temperature 31.5 degC, running" in text
    assert "5 readings, 0 refused" in text
    assert not (place[0] / "ebbwatt.db").exists(), "nothing is stored"


def test_unknown_state_words_and_missing_values_are_named(ebbwatt, place):
    data = b"U=13.52 I=4.20 MODE=BOOST RT=48750\nU=13.52 AMPS=4\n"
    text = probe(ebbwatt, place, data)
    assert "[states] does not know: BOOST" in text
    assert '"BOOST" = ...' in text
    assert "[fields] names U, I, MODE, RT, T; the messages hold" in text
    assert "AMPS" in text


@pytest.mark.parametrize(
    ("line", "says"),
    [
        (b'{"u": 13.5}', 'kind = "jsonlines"'),
        (b"$IIXDR,U,13.52,V,B*00", 'kind = "xdr"'),
        (b"V: 13.5", 'separator = ":"'),
        (
            b"13.5;4.2;RUN",
            '3 columns: kind = "csv" in [decoder], with columns, and delimiter = ";"',
        ),
        (b"OUT 13.52V 4.20A", 'kind = "pattern"'),
    ],
)
def test_a_decoder_is_suggested_for_what_is_no_key_and_value(line, says):
    assert says in guess_kind(line)


def test_a_device_that_is_not_described_yet_can_be_looked_at(ebbwatt, place):
    (place[0] / "ebbwatt.toml").write_text(
        '[charger]\nrated_w = 110\n[source]\nkind = "serial"\nport = "charger"\n'
    )
    text = probe(ebbwatt, place, b"OUT 13.52V 4.20A\r\nST CHG\r\n", "--seconds", "2")
    assert "OUT 13.52V 4.20A\n    refused: no key and value" in text
    assert "[fields] names" not in text
    assert 'hint: the lines are not key=value: kind = "pattern"' in text


def test_a_device_that_echoes_and_answers_in_other_words_is_helped_on(ebbwatt, tmp_path):
    talk = b"MES\rTens. 13,52V \xe0 l'arr\xeat\r\nMES\rTens. 13,52V \xe0 l'arr\xeat\r\n"
    (tmp_path / "talk.bin").write_bytes(talk)
    text = (
        "[poll]\nsend = ['MES']\n[decoder]\nkind = 'pattern'\n"
        "pattern = 'Tens. (?P<volts>[0-9,]+)V (?P<mode>.*)'\n[fields]\nvoltage_v = 'volts'\n"
    )
    described = tmp_path / "device.toml"
    described.write_text(text)
    done = ebbwatt("check", described, "--against", tmp_path / "talk.bin", status=1)
    assert "hint: the line repeats each question: write echo = true into [poll]" in done.stdout
    assert "13,52 for 13.52: { from = ..., decimal_comma = true }" in done.stdout
    comma = "voltage_v = { from = 'volts', decimal_comma = true }\nstate = 'mode'\n"
    described.write_text(text.replace("voltage_v = 'volts'\n", comma))
    done = ebbwatt("check", described, "--against", tmp_path / "talk.bin")
    (hint,) = [line for line in done.stdout.splitlines() if "operating state in [states]" in line]
    word = hint.partition("[states]: ")[2].partition(" = ...")[0]
    described.write_text(described.read_text() + f'[states]\n{word} = "standby"\n')
    done = ebbwatt("check", described, "--against", tmp_path / "talk.bin")
    assert "does not know" not in done.stdout, "the word can be copied from the hint"


#: Two lines of one device, with the bytes of their letters in two encodings.
FINNISH = {
    "latin-1": b"Tila=l\xe4mmitys T=31,5\xb0C U=12.8\r\nTila=lataa T=31,5\xb0C U=12.9\r\n",
    "utf-8": b"Tila=l\xc3\xa4mmitys T=31,5\xc2\xb0C U=12.8\r\n",
    "cp437": b"Tila=l\x84mmitys T=31,5\xf8C U=12.8\r\n",
}


@pytest.mark.parametrize(("said", "set_to"), [(a, b) for a in FINNISH for b in FINNISH if a != b])
def test_letters_in_another_encoding_are_told_with_the_setting(ebbwatt, tmp_path, said, set_to):
    talk = tmp_path / "talk.bin"
    talk.write_bytes(FINNISH[said] * 4 + b"U=12.7 \xff\x80\x02\r\n")
    described = tmp_path / "device.toml"
    text = (
        "[decoder]\nkind = 'keyvalue'\nbetween = ' '\nencoding = 'ENCODING'\n[fields]\n"
        "voltage_v = 'U'\nstate = { from = 'Tila', optional = true }\n"
        "[states]\n'l\u00e4mmitys' = 'starting'\nlataa = 'running'\n"
    )
    described.write_text(text.replace("ENCODING", set_to), "utf-8")
    done = ebbwatt("check", described, "--against", talk)
    hints = " ".join(line for line in done.stdout.splitlines() if "hint: the l" in line)
    if set_to == "utf-8" or said == "utf-8":
        assert f'encoding = "{said}"' in hints
    described.write_text(text.replace("ENCODING", said), "utf-8")
    done = ebbwatt("check", described, "--against", talk)
    assert "encoding" not in done.stdout
    assert "does not know" not in done.stdout


def test_a_word_that_the_encoding_does_not_hold_is_refused(ebbwatt, tmp_path):
    described = tmp_path / "device.toml"
    described.write_text(
        "[decoder]\nkind = 'keyvalue'\nencoding = 'latin1'\n[poll]\nsend = ['L\u00e4mp\u00f6?']\n"
        "[fields]\nvoltage_v = 'U'\nstate = 'M'\n[states]\n'\u20ac' = 'running'\n",
        "utf-8",
    )
    done = ebbwatt("check", described, status=2)
    assert "no text in latin1, the encoding of [decoder], holds this word" in done.stderr
    described.write_text(described.read_text("utf-8").replace("\u20ac", "\u00e4"), "utf-8")
    assert read_description(described).poll.requests[0].payload == b"L\xe4mp\xf6?"
    described.write_text(described.read_text("utf-8").replace("L\u00e4", "\u20ac"), "utf-8")
    done = ebbwatt("check", described, status=2)
    assert "write the bytes as hex" in done.stderr


def test_of_a_first_guess_it_is_said_what_to_write_and_not_what_nobody_wrote(ebbwatt, place):
    (place[0] / "ebbwatt.toml").write_text(
        '[charger]\nrated_w = 110\n[source]\nkind = "serial"\nport = "charger"\n'
    )
    text = probe(ebbwatt, place, b"VB=13.52 IB=4.20\r\n", "--seconds", "2")
    assert "names U" not in text
    assert "no message holds" not in text
    assert 'the messages hold VB, IB: write [source.decoder] with kind = "keyvalue"' in text
    assert 'voltage_v = "VB"' in text


def test_a_capture_made_with_other_questions_is_named_as_such(ebbwatt, tmp_path):
    rows = ['{"capture": 1, "began": "2026-05-03T14:05:30Z", "link": "a line"}']
    for second in range(3):
        rows.append(json.dumps({"at_s": second, "bytes": b"report?\r\n".hex(), "sent": True}))
        rows.append(json.dumps({"at_s": second + 0.1, "bytes": b"U=13.5\r\n".hex()}))
    (tmp_path / "talk.jsonl").write_text("\n".join(rows) + "\n")
    described = tmp_path / "device.toml"
    text = '[poll]\nsend = ["SENT"]\n[decoder]\nkind = "keyvalue"\n[fields]\nvoltage_v = "U"\n'
    described.write_text(text.replace("SENT", "V?\\r\\n"))
    done = ebbwatt("check", described, "--against", tmp_path / "talk.jsonl")
    assert "made with other questions than [poll] asks: report?\\r\\n (3 x)" in done.stdout
    described.write_text(text.replace("SENT", "report?\\r\\n"))
    done = ebbwatt("check", described, "--against", tmp_path / "talk.jsonl")
    assert "other questions" not in done.stdout


def test_a_blank_between_thousands_is_named_with_the_setting(ebbwatt, tmp_path):
    (tmp_path / "talk.bin").write_bytes(b"V 13,5 H 1 284,58\r\nV 13,6 H 1 284,59\r\n" * 4)
    text = (
        "[decoder]\nkind = 'pattern'\npattern = 'V (?P<v>.+) H (?P<h>.+)'\n[fields]\n"
        "voltage_v = { from = 'v', decimal_comma = true }\n"
        "runtime_h = { from = 'h', decimal_comma = trueMORE }\n"
    )
    described = tmp_path / "device.toml"
    described.write_text(text.replace("MORE", ""))
    done = ebbwatt("check", described, "--against", tmp_path / "talk.bin", status=1)
    assert "runtime_h: has a blank between thousands" in done.stdout
    assert 'hint: the device writes 1 284 for 1284: { from = ..., thousands = " " }' in done.stdout
    described.write_text(text.replace("MORE", ", thousands = ' '"))
    done = ebbwatt("check", described, "--against", tmp_path / "talk.bin")
    assert "runtime_h: 1284.58 to 1284.59 h" in done.stdout, "as many digits as tell them apart"


def test_hours_with_a_colon_are_named_with_the_unit(ebbwatt, tmp_path):
    (tmp_path / "talk.bin").write_bytes(b"V 13.5 H 2210:36\r\nV 13.6 H 2210:37\r\n" * 4)
    text = (
        "[decoder]\nkind = 'pattern'\npattern = 'V (?P<v>.+) H (?P<h>.+)'\n[fields]\n"
        "voltage_v = 'v'\nruntime_h = { from = 'h'MORE }\n"
    )
    described = tmp_path / "device.toml"
    described.write_text(text.replace("MORE", ""))
    done = ebbwatt("check", described, "--against", tmp_path / "talk.bin", status=1)
    assert 'the device writes hours and minutes: { from = ..., unit = "h:min" }' in done.stdout
    described.write_text(text.replace("MORE", ", unit = 'h:min'"))
    done = ebbwatt("check", described, "--against", tmp_path / "talk.bin")
    assert "8 readings, 0 refused" in done.stdout
    assert "runtime_h: 2211 h" not in done.stdout


def test_a_name_with_letters_beyond_ascii_needs_quotes_and_the_error_says_so(ebbwatt, tmp_path):
    described = tmp_path / "device.toml"
    text = (
        "[decoder]\nkind = 'keyvalue'\n[fields]\nvoltage_v = 'U'\nstate = 'M'\n[states]\n"
        "l\u00e4mmitys = 'starting'\n"
    )
    described.write_text(text, "utf-8")
    done = ebbwatt("check", described, status=2)
    assert "line 7" in done.stderr
    assert 'stands in quotes: "l\u00e4mmitys"' in done.stderr
    described.write_text(text.replace("l\u00e4mmitys", '"l\u00e4mmitys"'), "utf-8")
    ebbwatt("check", described)
    described.write_text(text.replace("l\u00e4mmitys =", "lammitys"), "utf-8")
    assert "quotes:" not in ebbwatt("check", described, status=2).stderr


def test_one_wrong_checksum_of_many_is_noise(ebbwatt, tmp_path):
    # The check value of CRC-16/MODBUS is that of the catalogue; the device says 123456789.
    described = tmp_path / "device.toml"
    described.write_text(
        "[decoder]\nkind = 'keyvalue'\nseparator = '4'\nchecksum = 'CRC-16/MODBUS'\n"
        "[fields]\nvoltage_v = { from = '123', scale = 0.00023 }\n"
    )
    talk = tmp_path / "talk.bin"
    talk.write_bytes(b"123456789*4B37\n" * 30 + b"123456781*4B37\n")
    done = ebbwatt("check", described, "--against", talk)
    assert "hint: a few checksums do not fit: these messages were disturbed" in done.stdout
    talk.write_bytes(b"123456789*4B37\n" + b"123456781*4B37\n" * 9)
    done = ebbwatt("check", described, "--against", talk)
    assert "hint: the checksum does not fit: another kind in [decoder], or" in done.stdout


def test_values_in_several_messages_lead_to_gather_s(ebbwatt, tmp_path):
    (tmp_path / "talk.bin").write_bytes(b"V 13.5\r\nH 812\r\n" * 4)
    text = (
        "[decoder]\nkind = 'pattern'\npattern = ['V (?P<v>.+)', 'H (?P<h>.+)']\n"
        "[fields]\nvoltage_v = 'v'\nruntime_h = 'h'\n"
    )
    described = tmp_path / "device.toml"
    described.write_text(text)
    done = ebbwatt("check", described, "--against", tmp_path / "talk.bin", status=1)
    assert "8 x incomplete message (without" in done.stdout
    assert "such as gather_s = 0.8 in [timing]" in done.stdout
    described.write_text(text + "[timing]\ngather_s = 0.8\n")
    done = ebbwatt("check", described, "--against", tmp_path / "talk.bin")
    assert "4 readings, 0 refused" in done.stdout


def test_an_echo_in_a_capture_is_no_answer(ebbwatt, tmp_path):
    rows = ['{"capture": 1, "began": "2026-05-03T14:05:30Z", "link": "a line"}']
    for second in range(3):
        rows.append(json.dumps({"at_s": second, "bytes": b"V\r".hex(), "sent": True}))
        rows.append(json.dumps({"at_s": second + 0.1, "bytes": b"V\rU=13.5\r".hex()}))
    (tmp_path / "talk.jsonl").write_text("\n".join(rows))
    (tmp_path / "device.toml").write_text(
        '[poll]\nsend = ["V\\r"]\necho = true\n[decoder]\nkind = "keyvalue"\n'
        '[fields]\nvoltage_v = "U"\n'
    )
    done = ebbwatt("check", "device.toml", "--against", "talk.jsonl", cwd=tmp_path)
    assert "3 readings, 0 refused" in done.stdout


@pytest.mark.parametrize(
    "word", ["RUN", 'a "b" \\ c', "\u00e0 l'arr\u00eat", "\x1b[2J\x7f", "\U0001f50b"]
)
def test_a_quoted_word_is_plain_and_means_the_same_in_toml(word):
    assert quoted(word).isascii()
    assert quoted(word).isprintable()
    assert tomllib.loads(f"{quoted(word)} = 1") == {word: 1}


def test_what_a_pattern_does_not_match_is_shown(ebbwatt, place):
    (place[0] / "device.toml").write_text(
        "[decoder]\nkind = 'pattern'\npattern = 'OUT (?P<volts>\\S+)'\n"
        "[fields]\nvoltage_v = 'volts'\n"
    )
    text = probe(ebbwatt, place, b"OUT 13.52V\r\n-- end --\r\n", "--seconds", "2")
    assert "it does not match '-- end --', which does no harm" in text


def test_a_wrong_speed_is_guessed_from_the_bytes(ebbwatt, place):
    text = probe(ebbwatt, place, bytes([0x86, 0xE6, 0x1E, 0xF8, 0x00, 0xFE, 0x0A]))
    assert "the speed is probably wrong" in text


def test_a_missing_line_end_and_a_wrong_checksum_are_guessed(ebbwatt, place):
    text = probe(ebbwatt, place, b"U=13.52 I=4.20 ", "--seconds", "2")
    assert "hint: no end of a line was seen: set terminator in [decoder], or check baud" in text
    folder, line = place
    line.plug()
    (folder / "device.toml").write_text(
        "[decoder]\nkind = 'keyvalue'\nchecksum = 'CRC-16/MODBUS'\n[fields]\nvoltage_v = 'U'\n"
    )
    text = probe(ebbwatt, place, b"U=13.52*0000\n", "--seconds", "2")
    assert "refused: wrong checksum (got '0000', the text gives" in text
    assert "hint: the checksum does not fit" in text


def test_silence_is_told(ebbwatt, place):
    done = ebbwatt("probe", "--seconds", "1", cwd=place[0])
    assert "nothing arrived: is the device on" in done.stdout


def test_what_a_device_sends_cannot_reach_the_terminal(ebbwatt, place):
    evil = b"U=13.5 I=4 MODE=\x1b[2J\x1b]0;owned\x07 RT=60 X=[bold red]\r\n"
    text = probe(ebbwatt, place, evil)
    assert "\x1b" not in text
    assert "\x07" not in text
    assert "\\x1b[2J" in text


def test_a_capture_can_be_checked_and_replayed(ebbwatt, place):
    folder, _ = place
    data = b"U=13.52 I=4.20 MODE=RUN RT=48750\n"
    probe(ebbwatt, place, data, "--capture", "talk.jsonl", "--count", "8")
    done = ebbwatt("check", "device.toml", "--against", "talk.jsonl", cwd=folder)
    assert "a good description" in done.stdout
    assert "8 readings, 0 refused" in done.stdout
    (folder / "ebbwatt.toml").write_text(
        '[charger]\nrated_w = 110\n[source]\nkind = "replay"\npath = "talk.jsonl"\n'
        'description = "device.toml"\n'
    )
    assert "8 readings, 0 refused" in ebbwatt("log", cwd=folder).stderr


def test_a_missing_port_is_one_line_and_status_1(ebbwatt, place):
    folder, line = place
    line.unplug()
    done = ebbwatt("probe", "--seconds", "2", cwd=folder, status=1)
    assert "there is no such port; is the cable in?" in done.stderr
    assert done.stdout == "", "no counts and no other guess"


def test_ctrl_c_ends_it_with_its_counts(place, child_env):
    folder, line = place
    thread = feed(line, b"U=13.52 I=4.20 MODE=RUN RT=48750\n")
    process = subprocess.Popen(
        [sys.executable, "-m", "analysis", "probe"],
        cwd=folder,
        env=child_env,
        stdout=subprocess.PIPE,
        text=True,
    )
    assert process.stdout.readline(), "it shows what comes, so its handler stands"
    process.send_signal(2)
    text, _ = process.communicate(timeout=60)
    line.unplug()
    thread.join()
    assert process.returncode == 0
    assert "readings, 0 refused" in text


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
    (folder / "long").write_bytes(b"U=13.52 I=4.20 MODE=RUN RT=48750 T=31.5\r\n" * 100_000)
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
            cwd=folder, env=child_env, capture_output=True, text=True, check=True, timeout=100,
        )  # fmt: skip
        status, peak = done.stdout.split()[-2:]
        assert status == "0"
        peaks.append(int(peak))
    assert peaks[1] - peaks[0] < 2048, "KiB; the file has 4200 and its readings ten times that"


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
    assert "readings come every 0.2" in done.stdout
    assert "not every 60 s as interval_s says" in done.stdout


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
