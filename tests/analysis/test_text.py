"""Text from outside is shown as letters and can neither act nor grow."""

import unicodedata

import pytest
from hypothesis import given
from hypothesis import strategies as st

from analysis.text import LONGEST, boat_and_charger, for_encoding, for_html, harmless


@pytest.mark.parametrize(
    ("outside", "shown"),
    [
        ("aft locker", "aft locker"),
        ("\x1b[2J\x1b]0;owned\x07boat", "[2J]0;ownedboat"),
        ("one\r\ntwo\tthree\u2028four", "one two three four"),
        ("abc\u202egnp.exe\u202c", "abcgnp.exe"),
        ("\u2066x\u2069\u200b\ufeff\u200fy", "xy"),
        ("\x9b31mred", "31mred"),
        ("e\u0301" + "\u0334" * 40, "\u00e9" + "\u0334" * 3),
        ("\ud800half", "half"),
        ("\U000f0000private", "private"),
        ("  spaces   \u00a0 within  ", "spaces within"),
        ("שלום 110 W", "שלום 110 W"),
        ("", ""),
    ],
)
def test_acting_characters_are_dropped_and_letters_stay(outside, shown):
    assert harmless(outside) == shown


def test_a_very_long_text_is_cut_to_the_bound_and_says_so():
    shown = harmless("A" * 1_000_000)
    assert len(shown) == LONGEST
    assert shown.endswith("...")
    assert harmless("x" * LONGEST) == "x" * LONGEST


def test_html_is_escaped_and_isolated():
    assert (
        for_html("<script>alert('1')</script> & \"x\"")
        == "<bdi>&lt;script&gt;alert(&#39;1&#39;)&lt;/script&gt; &amp; &#34;x&#34;</bdi>"
    )


def test_letters_that_the_terminal_lacks_become_question_marks():
    assert for_encoding("Möwe 1 °C", "ascii") == "M?we 1 ?C"
    assert for_encoding("Möwe", None) == "M?we"
    assert for_encoding("Möwe", "utf-8") == "Möwe"


@given(st.text(alphabet=st.characters(), max_size=300))
def test_nothing_but_printable_single_spaced_text_gets_through(outside):
    shown = harmless(outside)
    assert len(shown) <= LONGEST
    assert shown == " ".join(shown.split())
    bad = {"Cc", "Cf", "Cs", "Co", "Cn", "Zl", "Zp"}
    assert not any(unicodedata.category(letter) in bad for letter in shown)
    page = for_html(outside)
    assert "<" not in page.removeprefix("<bdi>").removesuffix("</bdi>")


@pytest.mark.parametrize(
    ("boat", "charger", "told"),
    [
        ("Dabchick", "aft locker", "Dabchick, aft locker"),
        ("Dabchick", "Dabchick, aft locker", "Dabchick, aft locker"),
        ("", "aft locker", "aft locker"),
        ("Dabchick", "", "Dabchick"),
        ("", "", ""),
    ],
)
def test_a_boat_is_named_once(boat, charger, told):
    assert boat_and_charger(boat, charger) == told
