r"""No text can stall a pattern that was accepted, and useful patterns are accepted.

That a repeat inside a repeat can take time that doubles with each letter, and that several repeats
in a row take a power of the length, is in Python's own documentation of ``re`` only as a hint; the
theory is in Weideman et al. (2016), "Analyzing matching time behavior of backtracking regular
expression matchers by using ambiguity of NFA", CIAA (from memory).
"""

import re
import subprocess
import sys
import time
from pathlib import Path

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from logger.errors import ConfigError
from logger.settings import Document
from logger.sources.decoders.backtracking import TooMuchWorkError, check_work
from logger.sources.decoding import Context, Place, Refused
from logger.sources.description import build_decoder

PLACE = Place(Document(Path("device.toml"), {}))
#: Far above the 0.3 s of the worst accepted pattern, far below what an unbounded one takes.
HANG_S = 5.0


def build(**table):
    return build_decoder(table, PLACE)[1]


@pytest.mark.parametrize(
    "pattern",
    [
        r"V (?P<v>\S+)",
        r"(?P<v>\S+)\s+(?P<i>\S+)\s+(?P<mode>\w+).*",
        r"\s*(?P<v>[-+]?\d+(?:\.\d+)?)\s*V,\s*(?P<i>[-+]?\d+(?:\.\d+)?)\s*A",
        r".*U=(?P<v>[0-9.]+)V .*I=(?P<i>[0-9.]+)A.*",
        r"[^=]*=(?P<v>\S+) [^=]*=(?P<i>\S+) (?P<mode>RUN|REST|OFF)",
        r"(?:[0-9]+,)+(?P<last>\d+)",
        r"(?i)volts: (?P<v>\d{1,3}\.\d{1,2})(?:;[0-9]+,)*.*",
        r"(?P<v>.*+)",
    ],
)
def test_patterns_that_devices_need_are_accepted(pattern):
    check_work(pattern, 512, 1)


def test_a_message_of_fifty_lines_is_accepted_where_each_line_ends_what_stands_in_it():
    check_work("\n".join(rf"[A-Z]+: *(?P<v{k}>\S+)" for k in range(50)), 512, 50)


@pytest.mark.parametrize(
    ("pattern", "says"),
    [
        (r"(?P<v>(a+)+)b", "repeat inside a repeat"),
        (r"(?P<v>(?:a|a)+)b", "repeat inside a repeat"),
        (r"(?P<v>(?:\w+\s?)*)!", "repeat inside a repeat"),
        (r"(?P<v>(?:\d{1,3}\.?)+)", "repeat inside a repeat"),
        (r"(?P<v>(?:a?)*)b", "repeat inside a repeat"),
        (r"(?P<v>(?:(?i:k)+K)*)", "repeat inside a repeat"),
        (r".*(?P<v>\S+).*(?P<i>\S+).*x", "5 of its repeats"),
        (r"(?P<v>a)(?P=v)", "are not accepted"),
        (r"(?=a)(?P<v>a)", "are not accepted"),
        (r"(?a)(?P<v>\d+)", "(?a)"),
    ],
)
def test_a_pattern_that_could_stall_is_refused_with_what_to_do(pattern, says):
    with pytest.raises(ConfigError) as caught:
        build(kind="pattern", pattern=pattern)
    assert says in str(caught.value)
    assert "pattern: " in str(caught.value)
    assert "\n" not in str(caught.value)


def test_a_shorter_line_allows_more():
    pattern = r".*U=(?P<v>\S+).*I=(?P<i>\S+).*"
    with pytest.raises(TooMuchWorkError, match="lower line_limit"):
        check_work(pattern, 512, 1)
    check_work(pattern, 64, 1)


letters = st.sampled_from(
    ["a", "b", ".", "[ab]", "[^a]", r"\d", r"\w", r"\s", r"\S", "1", "=", " "]
)
groups = st.sampled_from(["(?:ab|a)", "(?:a|b1)", "(a|ab)", "(?:a|)", "(?i:A)"])
atoms = st.one_of(letters, groups)
repeats = st.sampled_from(["", "", "*", "+", "?", "{2}", "{1,3}", "{2,20}", "*?", "+?", "*+"])
parts = st.recursive(
    st.tuples(atoms, repeats).map("".join),
    lambda inner: st.builds(
        "{}{}){}".format,
        st.sampled_from(["(?:", "(", "(?>"]),
        st.lists(inner, min_size=1, max_size=3).map("".join),
        repeats,
    ),
    max_leaves=8,
)
texts = st.builds(
    lambda pump, last: (pump * 64)[:63] + last,
    st.text("aab1= ", min_size=1, max_size=3),
    st.sampled_from(["!", "b", "\n", ""]),
)


@settings(max_examples=400, deadline=None)
@given(st.lists(parts, min_size=1, max_size=4).map("".join), st.lists(texts, max_size=3))
def test_no_text_stalls_an_accepted_pattern(pattern, attacks):
    try:
        compiled = re.compile(pattern)
        check_work(pattern, 64, 1)
    except (re.error, TooMuchWorkError):
        return
    for text in attacks:
        began_s = time.process_time()
        compiled.fullmatch(text)
        assert time.process_time() - began_s < HANG_S, (pattern, text)


@pytest.mark.parametrize("byte", [b" ", b"=", b"1", b",", b"\x80", b"U=1 ", b"1 ", b"{", b'"'])
@pytest.mark.parametrize("kind", ["keyvalue", "csv", "jsonlines", "pattern"])
def test_the_longest_line_that_can_be_configured_stalls_nothing(kind, byte):
    more = {"csv": {"columns": ["a"]}, "pattern": {"pattern": r"\S+ (?P<a>[0-9]+)"}}
    made = build(kind=kind, line_limit=65536, **more.get(kind, {}))
    line = (b"U=1" + byte * 65536)[:65535] + b"!"
    began_s = time.process_time()
    step = made.decode(line + b"\n", Context())
    assert time.process_time() - began_s < HANG_S
    assert len(step.items) == 1


def test_bytes_that_are_no_text_cannot_make_a_line_longer_than_it_was_checked_for():
    made = build(kind="pattern", pattern=r"(?P<a>.*)", line_limit=64)
    (item,) = made.decode(b"x" + b"\x80" * 60 + b"x\n", Context()).items
    assert isinstance(item, Refused)
    assert item.reason == "too many bytes that are no text"


@pytest.mark.parametrize(
    "gone",
    [
        "sys.modules['re._parser'] = None; importlib.reload(ours)",
        "ours.parser = types.SimpleNamespace()",
        "ours.parser = types.SimpleNamespace(parse=str)",
    ],
)
def test_a_python_whose_parser_is_another_one_refuses_patterns_and_nothing_else(
    tmp_path, child_env, gone
):
    # It is private to Python (re._parser): it may go, or change, with any version.
    start = (
        "import importlib, sys, types; from analysis.cli import main; "
        f"from logger.sources.decoders import backtracking as ours; {gone}; sys.exit(main())"
    )
    (tmp_path / "pattern.toml").write_text(
        "[decoder]\nkind = 'pattern'\npattern = '(?P<v>[0-9.]+)'\n[fields]\nvoltage_v = 'v'\n"
    )
    (tmp_path / "words.toml").write_text(
        "[decoder]\nkind = 'keyvalue'\n[fields]\nvoltage_v = 'U'\n"
    )

    def check(name):
        command = [sys.executable, "-c", start, "check", name]
        return subprocess.run(
            command, cwd=tmp_path, env=child_env, capture_output=True, text=True, check=False
        )

    told = check("pattern.toml")
    assert told.returncode == 2
    assert "use Python 3.11 to 3.13, or another kind of decoder" in told.stderr
    assert told.stderr.count("\n") == 1
    assert "a good description" in check("words.toml").stdout
