r"""Patterns: no text can stall the logger, and what RE2 does not know is refused with advice.

That a matcher which goes back and tries again can double its work with each letter of ``(a+)+b``,
and that automata need time in proportion to the text, is Thompson (1968), "Regular expression
search algorithm", Communications of the ACM 11(6), 419-422, and Weideman et al. (2016), "Analyzing
matching time behavior of backtracking regular expression matchers by using ambiguity of NFA", CIAA
(both from memory).
"""

import subprocess
import sys
import time
from pathlib import Path

import pytest
import re2
from hypothesis import given, settings
from hypothesis import strategies as st

from logger.errors import ConfigError
from logger.settings import Document
from logger.sources.decoders.pattern import MEMORY
from logger.sources.decoding import Context, Message, Place
from logger.sources.description import build_decoder
from tests.conftest import examples

PLACE = Place(Document(Path("device.toml"), {}))
#: Far above the milliseconds that a line of the greatest length takes.
HANG_S = 5.0
LONG = 500_000


def build(**table):
    return build_decoder({"kind": "pattern"} | table, PLACE)[1]


def refusal(**table):
    with pytest.raises(ConfigError) as caught:
        build(**table)
    told = str(caught.value)
    assert told.startswith("device.toml: ")
    assert "pattern: " in told
    assert "\n" not in told
    assert told.isprintable()
    return told


def read(made, line):
    (item,) = made.decode(line + b"\n", Context()).items
    return dict(item.values) if isinstance(item, Message) else item.reason


def spent_s(work):
    began_s = time.process_time()
    work()
    return time.process_time() - began_s


@pytest.mark.parametrize(
    ("pattern", "line", "values"),
    [
        (r"V (?P<v>\S+)", b"V 13.5", {"v": "13.5"}),
        (r"(?P<v>\S+)\s+(?P<i>\S+)\s+(?P<m>\w+).*", b"13.5  4 RUN ok", ("13.5", "4", "RUN")),
        (r"\s*(?P<v>[-+]?\d+(?:\.\d+)?)\s*V,\s*(?P<i>\d+)\s*A", b"-1.5 V, 4A", ("-1.5", "4")),
        (r".*U=(?P<v>[0-9.]+)V .*I=(?P<i>[0-9.]+)A.*", b"x U=13.5V y I=4A z", ("13.5", "4")),
        (r"(?:[0-9]+,)+(?P<last>\d+)", b"1,2,3,44", {"last": "44"}),
        (r"(?i)volts: (?P<v>\d{1,3}\.\d{1,2})(?:;[0-9]+,)*.*", b"VOLTS: 13.52", {"v": "13.52"}),
        (r"(?P<v>(a+)+)b", b"aaab", {"v": "aaa"}),
        (r"(?P<v>\d+) °C", "21 °C".encode(), {"v": "21"}),
        (r"[^=]*=(?P<v>\S+?)(?P<m>RUN|REST)?", b"U=13RUN", ("13", "RUN")),
    ],
)
def test_patterns_that_devices_need_are_read(pattern, line, values):
    found = read(build(pattern=pattern), line)
    assert found == values if isinstance(values, dict) else tuple(found.values()) == values


@pytest.mark.parametrize(
    ("pattern", "says"),
    [
        ("(?=a)(?P<v>a)", "cannot look ahead or behind"),
        ("(?!a)(?P<v>b)", "cannot look ahead or behind"),
        ("(?<=a)(?P<v>b)", "cannot look ahead or behind"),
        ("(?<!a)(?P<v>b)", "cannot look ahead or behind"),
        ("(?P<v>a)(?P=v)", "or go back to a group: write the text itself"),
        (r"(?P<v>a)\1", "or go back to a group: write the text itself"),
        (r"(?P<v>a)\Z", "leave it out: a pattern matches the whole message anyway"),
        (r"(?P<v>\u20ac)", r"write the character itself, or \x{20ac}"),
        ("(?>(?P<v>a+))", "write (?: instead of (?>"),
        ("(?P<v>a*+)", "leave the last + out"),
        ("(?P<v>a{2000})", "repeats go to 1000 at most"),
        ("(?P<v>(?:a{40}){40})", "those inside each other multiplied"),
        ("(?a)(?P<v>a)", "of the flags only i, m, s and U are known"),
        ("(?P<v>(?:.{100}){10}" + ".{900}" * 16 + ")", "write it shorter"),
        ("(?P<v>\n", r"missing ): (?P<v>\n"),
        ("(?P<v>a) (?P<v>b)", "names the group v twice"),
        ("[a|b]", "needs a named group"),
        (["A (?P<a>.)", "(?P<b>"], "number 2 of 2: is no valid pattern"),
        ([], "a list of such texts"),
        (["(?P<v>.)", 3], "a list of such texts"),
    ],
)
def test_what_cannot_be_a_pattern_is_refused_with_what_to_write(pattern, says, capfd):
    assert says in refusal(pattern=pattern)
    assert capfd.readouterr() == ("", ""), "RE2 itself says nothing"


def test_messages_joined_by_a_bar_become_a_list_that_can_be_copied():
    told = refusal(pattern=r"V (?P<v>[0-9|]+)\|(?:a|b)|H '(?P<h>\S+)|READY")
    assert told.endswith(
        r"in a list: ['V (?P<v>[0-9|]+)\|(?:a|b)', " + '"H \'(?P<h>\\\\S+)", ' + "'READY']"
    )


@pytest.mark.parametrize(
    "pattern",
    [r"(?P<v>a|b)", r"(?:(?P<v>a)|(?P<w>b))", r"(?P<v>a)\|(?P<w>b)", "(?P<v>a)[|](?P<w>b)"],
)
def test_a_bar_inside_a_message_stays(pattern):
    assert build(pattern=pattern).names() <= {"v", "w"}


@pytest.mark.parametrize(
    ("pattern", "ends"),
    [(r"(?P<v>a)\nb\nc", 2), ("(?P<v>a)\nb", 1), (r"(?P<v>a)\\n", 0), (r"(?P<v>[^\n]*)(?:\n)?", 0)],
)
def test_lines_must_have_room_for_the_line_ends_of_a_pattern(pattern, ends):
    if ends:
        assert f"the pattern holds {ends} line ends: lines = {ends + 1}" in refusal(pattern=pattern)
    assert build(pattern=pattern, lines=ends + 1).span == ends + 1


@pytest.mark.parametrize(
    ("pattern", "pump"),
    [
        ("(?P<v>(a+)+)b", "a"),
        ("(?P<v>(?:a|a)+)b", "a"),
        (r"(?P<v>(?:\w+\s?)*)!", "ab "),
        (r".*(?P<v>\S+).*(?P<i>\S+).*(?P<j>\S+)x", "ab"),
        (r"(?P<v>(?:a?)*)b", "a"),
    ],
)
def test_work_grows_no_faster_than_the_text(pattern, pump):
    made = build(pattern=pattern)

    def work(size):
        text = (pump * size)[:size]
        return min(spent_s(lambda: made.patterns[0].regexp.fullmatch(text)) for _ in range(3))

    assert work(LONG) < HANG_S
    # Twenty-five times the text: linear is 25, quadratic 625. Small times are mostly overhead.
    assert work(LONG) < 100 * max(work(LONG // 25), 1e-3)


letters = st.sampled_from(
    ["a", "b", ".", "[ab]", "[^a]", r"\d", r"\w", r"\s", r"\S", "1", "=", " "]
)
groups = st.sampled_from(["(?:ab|a)", "(?:a|b1)", "(a|ab)", "(?:a|)", "(?i:A)"])
repeats = st.sampled_from(["", "", "*", "+", "?", "{2}", "{1,3}", "{2,20}", "*?", "+?"])
parts = st.recursive(
    st.tuples(letters | groups, repeats).map("".join),
    lambda inner: st.builds(
        "{}{}){}".format,
        st.sampled_from(["(?:", "("]),
        st.lists(inner, min_size=1, max_size=3).map("".join),
        repeats,
    ),
    max_leaves=8,
)
texts = st.builds(
    lambda pump, last: (pump * 65536)[:65535] + last,
    st.text("aab1= ", min_size=1, max_size=3),
    st.sampled_from(["!", "b", ""]),
)


@settings(max_examples=examples(60), deadline=None)
@given(st.lists(parts, min_size=1, max_size=4).map("".join), texts)
def test_no_text_stalls_an_accepted_pattern(pattern, attack):
    try:
        made = build(pattern=f"(?P<v>{pattern})", line_limit=65536)
    except ConfigError:
        return  # repeats inside each other
    assert spent_s(lambda: made.decode(attack.encode() + b"\n", Context())) < HANG_S


@pytest.mark.parametrize("byte", [b" ", b"=", b"1", b",", b"\x80", b"U=1 ", b"1 ", b"{", b'"'])
@pytest.mark.parametrize("kind", ["keyvalue", "csv", "jsonlines", "pattern"])
def test_the_longest_line_that_can_be_configured_stalls_nothing(kind, byte):
    more = {"csv": {"columns": ["a"]}, "pattern": {"pattern": r"\S+ (?P<a>[0-9]+)"}}
    made = build(kind=kind, line_limit=65536, **more.get(kind, {}))
    line = (b"U=1" + byte * 65536)[:65535] + b"!"
    steps = []
    assert spent_s(lambda: steps.append(made.decode(line + b"\n", Context()))) < HANG_S
    assert len(steps[0].items) == 1


def test_re2_keeps_little_memory_for_a_pattern():
    assert build(pattern="(?P<v>.)").patterns[0].regexp.options.max_mem == MEMORY
    assert re2.Options().max_mem > MEMORY


@pytest.mark.parametrize("kind", ["pattern", "keyvalue"])
def test_only_a_pattern_needs_re2(tmp_path, child_env, kind):
    table = {
        "pattern": "kind = 'pattern'\npattern = '(?P<v>[0-9.]+)'\n[fields]\nvoltage_v = 'v'\n",
        "keyvalue": "kind = 'keyvalue'\n[fields]\nvoltage_v = 'U'\n",
    }
    (tmp_path / "device.toml").write_text(f"[decoder]\n{table[kind]}")

    def check(code):
        return subprocess.run(
            [sys.executable, "-c", code], cwd=tmp_path, env=child_env, capture_output=True,
            text=True, check=False,
        )  # fmt: skip

    main = "from analysis.cli import main; main(['check', 'device.toml'])"
    loaded = check(f"import sys; {main}; print('re2' in sys.modules)").stdout
    assert "a good description" in loaded
    assert loaded.endswith(f"{kind == 'pattern'}\n")
    # A board for which there is no ready package.
    told = check(f"import sys; sys.modules['re2'] = None; {main}")
    if kind == "pattern":
        assert "pattern: needs the package google-re2" in told.stderr
        assert told.stderr.count("\n") == 1
    else:
        assert "a good description" in told.stdout
