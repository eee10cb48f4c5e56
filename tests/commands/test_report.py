"""``ebbwatt report`` as a whole: an empty log, widths, standard output, a comparison, cautions."""

import json
import re

import pytest

from analysis.show.page.report.page import page
from analysis.show.screen.summary import summary
from logger.store.files import prepare
from tests.support.configurations import AFT_LOCKER
from tests.support.screens.pages import Outline, matter


def test_cautions_stand_in_page_summary_and_help(ebbwatt):
    texts = {
        "page": page(matter()),
        "summary": " ".join(line.text for line in summary(matter())),
        "help": " ".join(ebbwatt("report", "--help").stdout.split()),
    }
    for name, text in texts.items():
        flat = " ".join(re.sub("<[^>]+>", "", text).split())
        for part in (
            "ethanol is toxic by mouth, skin and breath",
            "thousands of amp",
            "licensed person",
            "only reads",
        ):
            assert part in flat, (name, part)


# --- comparison ----------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("content", "says"),
    [(b"\x89PNG\r\n", "not an assessment document"), (b"", "not an assessment document"),
     (b"[" * 100000, "not an assessment document"), (b'{"schema": "ebbwatt/assessment/9"}',
      "ebbwatt/assessment/1"), (b'"text"', "not an assessment document")],
)  # fmt: skip
def test_bad_input_to_the_comparison_is_one_line_and_status_2(ebbwatt, tmp_path, content, says):
    (tmp_path / "ebbwatt.toml").write_text("[charger]\nrated_w = 110\n")
    (tmp_path / "old.json").write_bytes(content)
    done = ebbwatt("report", "--compare", "old.json", cwd=tmp_path, status=2)
    assert done.stderr.startswith("ebbwatt: old.json: ")
    assert says in done.stderr
    assert done.stderr.count("\n") == 1


def test_a_comparison_that_nobody_would_see_is_refused(ebbwatt, tmp_path):
    (tmp_path / "ebbwatt.toml").write_text("[charger]\nrated_w = 110\n")
    done = ebbwatt("report", "--json", "-", "--compare", "a.json", cwd=tmp_path, status=2)
    assert "give --json a file" in done.stderr
    assert done.stdout == ""


# --- the command ---------------------------------------------------------------------------------


def test_an_empty_database_gives_a_report_that_says_what_is_missing(ebbwatt, tmp_path):
    (tmp_path / "ebbwatt.toml").write_text("[charger]\nrated_w = 110\n")
    (tmp_path / "one.csv").write_text("time,voltage_v\n1700000000,12.6\n")
    ebbwatt("import", "one.csv", cwd=tmp_path)
    done = ebbwatt("report", "--html", "r.html", "--json", "a.json", cwd=tmp_path)
    assert "Cannot say yet" in done.stdout
    assert "holds no running" in " ".join(done.stdout.split())
    document = json.loads((tmp_path / "a.json").read_text())
    assert document["verdict"] == "undetermined"
    assert document["output"]["fraction"] is None
    assert document["reasons"]
    assert "<h1>" in (tmp_path / "r.html").read_text()


def test_no_database_is_one_clear_line_and_status_1(ebbwatt, tmp_path):
    (tmp_path / "ebbwatt.toml").write_text("[charger]\nrated_w = 110\n")
    done = ebbwatt("report", cwd=tmp_path, status=1)
    assert "no such database yet" in done.stderr
    assert done.stderr.count("\n") == 1


@pytest.mark.parametrize("columns", ["60", "80", "120"])
def test_the_command_prints_25_lines(ebbwatt, tmp_path, columns):
    (tmp_path / "ebbwatt.toml").write_text("[charger]\nrated_w = 110\n[log]\ninterval_s = 30\n")
    rows = [f"{1700000000 + 30 * k},13.1,8.0,running" for k in range(600)]
    (tmp_path / "log.csv").write_text("time,voltage_v,current_a,state\n" + "\n".join(rows) + "\n")
    ebbwatt("import", "log.csv", cwd=tmp_path)
    lines = ebbwatt("report", cwd=tmp_path, env={"COLUMNS": columns}).stdout.splitlines()
    assert "remaining" in "".join(lines)
    assert lines[-1].startswith("With plots: ebbwatt report --html")
    assert len(lines) <= 25
    assert max(map(len, lines)) <= int(columns)


def test_compare_with_itself_through_the_command(ebbwatt, tmp_path):
    (tmp_path / "ebbwatt.toml").write_text("[charger]\nrated_w = 110\n")
    (tmp_path / "one.csv").write_text("time,voltage_v\n1700000000,12.6\n")
    ebbwatt("import", "one.csv", cwd=tmp_path)
    ebbwatt("report", "--json", "a.json", cwd=tmp_path)
    done = ebbwatt("report", "--compare", "a.json", cwd=tmp_path)
    assert "since" in done.stdout.lower()


def test_a_database_that_holds_nothing_at_all_gives_a_report_too(ebbwatt, tmp_path):
    prepare(tmp_path / "ebbwatt.db")
    (tmp_path / "ebbwatt.toml").write_text(AFT_LOCKER)
    done = ebbwatt("report", cwd=tmp_path)
    assert done.stdout.startswith("aft locker, rated 110 W")
    assert "holds no running" in " ".join(done.stdout.split())
    assert "holds no log yet" in ebbwatt("report", "--fitting", "7", cwd=tmp_path, status=1).stderr


def test_the_page_goes_to_standard_output_and_nothing_else_with_it(ebbwatt, tmp_path):
    prepare(tmp_path / "ebbwatt.db")
    (tmp_path / "ebbwatt.toml").write_text(AFT_LOCKER)
    told = ebbwatt("report", "--html", "-", cwd=tmp_path)
    assert told.stdout.startswith("<!DOCTYPE html>")
    assert told.stdout.endswith("</html>\n")
    assert Outline(told.stdout).open == []
    assert told.stderr == ""
    assert not (tmp_path / "-").exists()
    refused = ebbwatt("report", "--html", "-", "--json", "-", cwd=tmp_path, status=2)
    assert "both go to standard output" in refused.stderr
