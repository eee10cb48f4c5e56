"""The configuration: defaults, and errors that name file, line, key and what is accepted."""

import dataclasses
import datetime as dt

import pytest

from analysis.physics import energy_kwh_per_l
from logger.config import LEAST_METHANOL_L_PER_KWH, find_config, load_config
from logger.errors import ConfigError
from logger.sections import SECTIONS
from logger.settings import REQUIRED
from logger.store.file_format.carried import carry
from logger.store.files import prepare
from logger.store.records import SessionStart
from logger.store.writer import Writer

GOOD = """\
[charger]
label = "aft locker"
rated_w = 110
fitted = 2021-04-18

[battery]
capacity_ah = 200

[store]
path = "log/ebbwatt.db"

[log]
interval_s = 2
"""


def write(tmp_path, text):
    path = tmp_path / "ebbwatt.toml"
    path.write_text(text, encoding="utf-8")
    return path


def test_a_file_is_read_with_defaults_filled_in(tmp_path):
    config = load_config(write(tmp_path, GOOD))
    assert config.charger.rated_w == 110.0
    assert config.charger.fitted == dt.date(2021, 4, 18)
    assert (config.charger.plan_below, config.charger.replace_below) == (0.75, 0.60)
    assert config.battery.chemistry == "agm"
    assert config.fuel is None, "a charger without a fuel section burns no fuel"
    assert config.log.gap_s == 10.0, "five times the spacing"


def test_relative_paths_are_relative_to_the_file(tmp_path):
    assert load_config(write(tmp_path, GOOD)).store.path == tmp_path / "log/ebbwatt.db"


def test_the_fuel_section_is_what_makes_a_charger_burn_fuel(tmp_path):
    assert load_config(write(tmp_path, GOOD + "[fuel]\n")).fuel.l_per_kwh == 0.9


@pytest.mark.parametrize(
    ("text", "expected"),
    [
        ("", ["[charger] is missing", "rated_w"]),
        ("[charger]\n", ["line 1", "charger", "rated_w is missing", "a number from 1 to 20000"]),
        ("[charger]\nrated_w = 'x'\n", ["line 2", "charger.rated_w", "'x'", "a number"]),
        ("[charger]\nrated_w = nan\n", ["line 2", "charger.rated_w", "nan"]),
        ("[charger]\nrated_w = true\n", ["line 2", "True"]),
        ("[charger]\nrated_w = 0\n", ["line 2", "from 1 to 20000 (W)"]),
        ("[charger]\n\nrated_wat = 5\n", ["line 3", "did you mean rated_w?", "design_life_h"]),
        ("[charger]\nrated_w = 110\n[batery]\n", ["line 3", "batery", "did you mean battery?"]),
        (
            "[charger]\nrated_w = 110\nfitted = '2021'\n",
            ["line 3", "a date such as 2021-04-18, without quotes"],
        ),
        (
            "[charger]\nrated_w = 110\nplan_below = 0.5\n",
            ["charger.replace_below", "above plan_below"],
        ),
        (
            "[charger]\nrated_w = 110\n[battery]\nchemistry = 'lfpo'\n",
            ["line 4", "did you mean lfp?", "flooded, agm, gel, lfp"],
        ),
        (
            "[charger]\nrated_w = 110\n[plausible]\nvoltage_v = [16, 8]\n",
            ["line 4", "[lowest, highest]"],
        ),
        (
            "[charger]\nrated_w = 110\n[log]\ngap_s = 0.5\ninterval_s = 1\n",
            ["line 4", "shorter than interval_s"],
        ),
        ("source = 3\n[charger]\nrated_w = 110\n", ["line 1", "written [source]"]),
        ("charger = 3\n", ["line 1", "written [charger]"]),
        ("[charger\n", ["not a valid TOML file", "line 1", "[charger"]),
        (
            "[charger]\nrated_w = 110\nfitted = 18.4.2021\n",
            ["line 3: not a valid", "fitted = 18.4.2021; a date is year-month-day"],
        ),
        (
            "[charger]\nrated_w = 110\nrated_w = 90\n",
            ["line 3: not a valid", "this key stands twice: rated_w = 90"],
        ),
        ("[charger]\nlabel = aft\n", ["line 2", "label = aft; text stands in quotes"]),
        ('[charger]\nrated_w = "110"\n', ["line 2", "got '110'", "(W), without quotes"]),
    ],
)
def test_an_error_names_the_place_and_what_is_accepted(tmp_path, text, expected):
    path = write(tmp_path, text)
    with pytest.raises(ConfigError) as caught:
        load_config(path)
    message = str(caught.value)
    assert message.startswith(str(path))
    assert "\n" not in message
    for part in expected:
        assert part in message


def test_a_missing_and_an_unreadable_file(tmp_path):
    with pytest.raises(ConfigError, match="no such file"):
        load_config(tmp_path / "none.toml")
    (tmp_path / "binary.toml").write_bytes(b"\xff\xfe\x00")
    with pytest.raises(ConfigError, match="cannot be read"):
        load_config(tmp_path / "binary.toml")


def test_the_first_candidate_that_exists_is_taken(tmp_path):
    path = write(tmp_path, GOOD)
    assert find_config(None, [tmp_path / "none.toml", path]) == path
    assert find_config(tmp_path / "named.toml") == tmp_path / "named.toml"
    with pytest.raises(ConfigError, match="--config FILE"):
        find_config(None, [tmp_path / "none.toml"])


def test_every_setting_has_help_and_every_bound_a_meaning():
    for section in SECTIONS:
        assert section.help
        for setting in section.settings:
            assert setting.help, (section.name, setting.key)
            assert setting.accepted()


@pytest.mark.parametrize(
    "section",
    [s for s in SECTIONS if s.name != "plausible"],
    ids=lambda section: section.name,
)
def test_a_part_made_in_code_has_the_defaults_of_the_file(tmp_path, section):
    # What the file must hold, and nothing else.
    needed = {
        "charger": "rated_w = 110\n",
        "wiring": "cross_section_mm2 = 6\nlength_m = 2\n",
    }
    path = tmp_path / "ebbwatt.toml"
    path.write_text(f"[charger]\n{needed['charger']}")
    if section.name != "charger":
        path.write_text(f"{path.read_text()}[{section.name}]\n{needed.get(section.name, '')}")
    read = getattr(load_config(path), section.name)
    fields = {field.name for field in dataclasses.fields(read)}
    assert fields >= {setting.key for setting in section.settings}
    required = [s.key for s in section.settings if s.default is REQUIRED]
    # One of the two sizes of a cable is needed, whichever.
    required += ["path", "label", "cross_section_mm2"]
    made = type(read)(**{key: getattr(read, key) for key in required if key in fields})
    for setting in section.settings:
        assert getattr(made, setting.key) == getattr(read, setting.key), setting.key


def written(tmp_path, text):
    path = tmp_path / "ebbwatt.toml"
    path.write_text(text)
    return load_config(path)


@pytest.mark.parametrize(
    ("line", "given", "between"),
    [
        ("", None, None),
        # A single figure is no interval of zero width: 7500 is also given as 7000 to 8000.
        ("design_life_h = 7500", 7500.0, (7000.0, 8000.0)),
        ("design_life_h = [7000, 8000]", (7000.0, 8000.0), (7000.0, 8000.0)),
        ("design_life_h = [9000, 9000]", (9000.0, 9000.0), (9000.0, 9000.0)),
    ],
)
def test_a_design_life_is_a_figure_a_range_or_no_limit(tmp_path, line, given, between):
    charger = written(tmp_path, f"[charger]\nrated_w = 110\n{line}\n").charger
    assert charger.design_life_h == given
    assert charger.design_range_h == (between and pytest.approx(between))


@pytest.mark.parametrize("wrong", ["[8000, 7000]", "[7000]", "[50, 8000]", "[1e3, inf]", "'7500'"])
def test_a_design_life_that_is_none_is_refused(tmp_path, wrong):
    with pytest.raises(ConfigError, match=r"line 3.*design_life_h.*\[lowest, highest\]"):
        written(tmp_path, f"[charger]\nrated_w = 110\ndesign_life_h = {wrong}\n")


def test_less_methanol_than_its_heating_value_allows_is_refused(tmp_path):
    head = "[charger]\nrated_w = 110\n[fuel]\nl_per_kwh = "
    with pytest.raises(ConfigError, match=r"line 4.*l_per_kwh.*0\.2: .*at least 0\.228 L"):
        written(tmp_path, head + "0.2\n")
    assert written(tmp_path, head + "0.228\n").fuel.l_per_kwh == 0.228
    assert written(tmp_path, head + '0.1\nkind = "other"\n').fuel.l_per_kwh == 0.1
    # The published lower heating value at 20 degC: 19.9 MJ/kg and 0.791 kg/L, 4.37 kWh/L.
    assert pytest.approx(1.0 / energy_kwh_per_l(), abs=5e-4) == LEAST_METHANOL_L_PER_KWH
    assert pytest.approx(3.6 / 19.9 / 0.791, abs=1e-3) == LEAST_METHANOL_L_PER_KWH


@pytest.mark.parametrize(
    ("size", "mm2"),
    # ASTM B258 areas as handbooks print them (from memory): 8.37, 21.1, 53.5 and 107 mm2.
    [('"8"', 8.37), ('"4"', 21.15), ('"1/0"', 53.5), ('"0"', 53.5), ('"4/0"', 107.2)],
)
def test_an_awg_size_is_taken_as_its_area(tmp_path, size, mm2):
    head = f"[charger]\nrated_w = 110\n[wiring]\nlength_m = 2\ncross_section_awg = {size}\n"
    assert written(tmp_path, head).wiring.cross_section_mm2 == pytest.approx(mm2, rel=2e-3)


@pytest.mark.parametrize(
    ("lines", "words"),
    [
        ('cross_section_awg = "5/0"', "line 5.*cross_section_awg.*2/0 to 4/0"),
        ('cross_section_awg = "2"\ncross_section_mm2 = 35', "needs either"),
        ("", "needs either cross_section_mm2"),
    ],
)
def test_a_size_of_wire_that_is_none_is_refused(tmp_path, lines, words):
    with pytest.raises(ConfigError, match=words):
        written(tmp_path, f"[charger]\nrated_w = 110\n[wiring]\nlength_m = 2\n{lines}\n")


OTHERS = """[charger]
rated_w = 110
[[other_sources]]
kind = "solar"
watts = 100
from = 2024-05-01
[[other_sources]]
kind = "shore"
from = 2024-01-01
to = 2024-02-01
"""


def test_other_sources_are_read_one_after_another_and_travel_with_the_log(tmp_path):
    config = load_config(write(tmp_path, OTHERS))
    solar, shore = config.other_sources
    assert str(solar) == "solar of 100 W since 2024-05-01"
    assert str(shore) == "shore from 2024-01-01 to 2024-02-01"
    assert (solar.holds, shore.holds) == (False, True)
    # By hand: the day begins somewhere on earth at noon UTC of the day before, ends a day after.
    noon_s = dt.datetime(2024, 1, 1, 12, tzinfo=dt.UTC).timestamp()
    assert shore.begin_s <= noon_s - 86400.0
    assert shore.end_s >= dt.datetime(2024, 2, 2, 12, tzinfo=dt.UTC).timestamp()
    prepare(config.store.path)
    Writer(config.store.path, config.charger, SessionStart("x", 0.0, configuration=carry(
        config.document.data))).close(1.0)  # fmt: skip
    assert load_config(config.store.path, quiet=True).other_sources == config.other_sources


@pytest.mark.parametrize(
    ("old", "new", "said"),
    [
        ('kind = "solar"', 'kind = "sun"', "accepted: one of shore, charger, solar"),
        ("from = 2024-05-01", "", "from is missing"),
        ("to = 2024-02-01", "to = 2023-02-01", "before from"),
        ("watts = 100", "watts = 100\namperes = 8", "one of watts and amperes"),
        ("watts = 100", "watt = 100", "watts"),
        ("[[other_sources]]", "[other_sources]", "[[other_sources]]"),
    ],
)
def test_another_source_that_is_wrong_is_told_by_its_key(tmp_path, old, new, said):
    text = OTHERS.replace(old, new, 1)
    if new.startswith("[other"):  # one table, not a list of them
        text = text.rpartition("[[other_sources]]")[0]
    with pytest.raises(ConfigError) as error:
        load_config(write(tmp_path, text))
    assert said in str(error.value)
    assert "other_sources" in str(error.value)


def test_each_wrong_entry_of_other_sources_is_told_by_its_own_line(tmp_path):
    text = OTHERS.replace('"solar"', '"sun"').replace("to = 2024-02-01", "to = 2023-02-01")
    with pytest.raises(ConfigError) as error:
        load_config(write(tmp_path, text))
    solar, shore = error.value.errors
    assert "line 4: other_sources.kind: got 'sun'" in solar
    assert "line 10: other_sources.to: is 2023-02-01, before from" in shore
    # Entries of a list have no lines of their own: the list has.
    text = 'other_sources = [{ kind = "shore" }, { kind = "sun" }]\n[charger]\nrated_w = 110\n'
    with pytest.raises(ConfigError) as error:
        load_config(write(tmp_path, text))
    assert all("line 1: other_sources" in told for told in error.value.errors)
    assert len(error.value.errors) == 2, "from is missing in both, a kind is none"
