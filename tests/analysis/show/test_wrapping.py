"""Wrapping: no line is wider than asked, whatever its letters; a figure keeps its unit."""

from hypothesis import given
from hypothesis import strategies as st
from rich.cells import cell_len

from analysis.show.wrapping import filled, wrap_plain

#: Blanks, letters, digits, units, and wide letters (East Asian Width W of Unicode).
_LETTERS = st.text(st.sampled_from("ab .,;12%漢字かな号"), max_size=200)


@given(_LETTERS, st.integers(8, 60))
def test_no_line_is_too_wide_and_no_letter_is_lost(text, width):
    for lines in (filled(text, width, "  "), wrap_plain(text, width)):
        assert max((cell_len(line) for line in lines), default=0) <= width
        assert "".join("".join(lines).split()) == "".join(text.split())


def test_wide_letters_count_as_two():
    assert filled("海鳥調査船 110 W", 10) == ["海鳥調査船", "110 W"]
    assert filled("rated 110 W", 9) == ["rated", "110 W"]
