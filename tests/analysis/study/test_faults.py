"""The study of the inputs counts what was found, not found and false."""

from analysis.study.faults import FAULTS, InputOutcome, inputs_markdown


def outcome(name, sound=(), stops=(), told=()):
    faults = {(fault, size): () for fault, _, sizes, _ in FAULTS for size in sizes}
    return InputOutcome(name, sound, stops, faults | dict(told))


def test_the_table_counts_found_and_false():
    first, _, sizes, codes = FAULTS[0]
    code = next(iter(codes))
    table = inputs_markdown(
        [
            outcome("a", told=[((first, sizes[0]), (code,))]),
            outcome("b", sound=("two_levels",), told=[((first, sizes[0]), ("flat_cap",))]),
            outcome("c", sound=("net_current",), stops=("net_current",)),
        ],
        seed=7,
    )
    assert "2 of 3 have a doubt" in table
    assert "and 1 a stop" in table
    assert f"| {first} | {sizes[0]:g} | 3 | 1 | 2 | 1 |" in table
    assert f"| {first} | {sizes[1]:g} | 3 | 0 | 3 | 0 |" in table


def test_each_fault_has_three_sizes_and_a_code():
    assert all(len(sizes) == 3 and codes for _, _, sizes, codes in FAULTS)
    assert len({name for name, *_ in FAULTS}) == len(FAULTS)
