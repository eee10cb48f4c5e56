"""`ebbwatt probe`: what a fitter sees while writing a description."""

import json
import re
import subprocess
import sys
import tomllib

import pytest

from analysis.probe.guesses import guess_kind
from analysis.probe.shown import quoted
from logger.sources.description import read_description
from tests.support.rigs.devices.described_line import described_line, feed, probe

pytestmark = pytest.mark.waits


@pytest.fixture
def place(tmp_path):
    yield from described_line(tmp_path)


def test_raw_bytes_stand_beside_what_they_mean(ebbwatt, place):
    data = b"U=13.52 I=4.20 MODE=RUN RT=48750 T=31.5\r\n"
    text = probe(ebbwatt, place, data, "--count", "5")
    assert "U=13.52 I=4.20 MODE=RUN RT=48750 T=31.5" in text
    assert "13.52 V, 4.2 A, runtime 812.5 h, temperature 31.5 degC, running" in text
    # What came while a busy machine started the command comes in one burst.
    assert int(re.search(r"(\d+) readings, 0 refused", text)[1]) >= 5
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


@pytest.mark.parametrize(
    ("source", "chosen"),
    [
        ('[source]\nkind = "serial"\nport = "charger"\n', ()),
        (
            '[[source]]\nkind = "serial"\nport = "charger"\n[[source]]\nkind = "hwmon"\n',
            ("--source", "serial"),
        ),
    ],
    ids=["one", "of two"],
)
def test_of_a_first_guess_it_is_said_what_to_write_and_not_what_nobody_wrote(
    ebbwatt, place, source, chosen
):
    (place[0] / "ebbwatt.toml").write_text("[charger]\nrated_w = 110\n" + source)
    text = probe(ebbwatt, place, b"VB=13.52 IB=4.20\r\n", "--seconds", "2", *chosen)
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
    # What came while a busy machine started the command comes in one burst.
    read = int(re.search(r"(\d+) readings, 0 refused", done.stdout)[1])
    assert read >= 8
    (folder / "ebbwatt.toml").write_text(
        '[charger]\nrated_w = 110\n[source]\nkind = "replay"\npath = "talk.jsonl"\n'
        'description = "device.toml"\n'
    )
    assert f"{read} readings, 0 refused" in ebbwatt("log", cwd=folder).stderr


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
    text, _ = process.communicate(timeout=200)
    line.unplug()
    thread.join()
    assert process.returncode == 0
    assert "readings, 0 refused" in text
