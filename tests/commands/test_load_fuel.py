"""`ebbwatt load` and `ebbwatt fuel` on a real database."""

import json


def test_no_fuel_section_says_how_to_add_one(tmp_path, ebbwatt):
    (tmp_path / "ebbwatt.toml").write_text("[charger]\nrated_w = 110\n")
    done = ebbwatt("fuel", cwd=tmp_path, status=2)
    assert "add the line [fuel]" in done.stderr
    assert len(done.stderr.splitlines()) == 1


def test_commands_on_a_real_database(tmp_path, ebbwatt):
    ebbwatt("demo", "--out", "d", "--days", "40", cwd=tmp_path)
    load = json.loads(ebbwatt("load", "--json", cwd=tmp_path / "d").stdout)
    assert load["days_used"] + sum(load["days_left_out"].values()) >= 39
    fuel = json.loads(ebbwatt("fuel", "--json", "--days", "21", cwd=tmp_path / "d").stdout)
    assert fuel["l_per_kwh"]["low"] < fuel["l_per_kwh"]["estimate"] < fuel["l_per_kwh"]["high"]
    assert fuel["passage"]["containers"] >= 1
    over = ("fuel", "--passage", "--under-way", "3", "--depart", "2020-01-01")
    told = ebbwatt(*over, cwd=tmp_path / "d", status=2).stderr
    assert told == "ebbwatt: --depart 2020-01-01: is over; accepted: a day from today on\n"
    assert "CAUTION" in ebbwatt("fuel", cwd=tmp_path / "d").stdout
