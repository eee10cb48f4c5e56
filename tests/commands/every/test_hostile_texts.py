"""Names and words of others are letters in every output: no mark-up, no control character."""

import json
from dataclasses import replace

import pytest
from rich.cells import cell_len

from analysis.assessment.document import Reason, json_text
from analysis.estimate import Span
from analysis.show.comparison import compare
from analysis.show.page.report.page import page
from analysis.show.screen.summary import summary
from tests.conftest import ROOT
from tests.support.screens import scenes
from tests.support.screens.pages import SCENES, Outline, earlier, matter
from tests.support.screens.reading import READING


@pytest.mark.parametrize("name", SCENES)
@pytest.mark.parametrize("hostile", scenes.HOSTILE)
def test_hostile_texts_are_harmless_in_every_output(name, hostile):
    made = matter(
        name,
        scenes.hostile_events(),
        label=hostile,
        advice=(hostile,),
        withheld=hostile,
        remaining_h=Span(),
        reasons=(Reason("r", hostile),),
        left_out={hostile: 3.0},
    )
    document = earlier() | {"charger": {"label": hostile, "rated_w": 90, "fitted": hostile}}
    made = replace(made, comparison=compare(document | {"verdict": hostile}, made.assessment))
    text = page(made)
    outline = Outline(text)
    assert not {"script", "img"} & set(outline.tags)
    assert not [k for k, _ in outline.attributes if k.startswith("on")]
    assert not any(c in text for c in "\x1b\x07\u202e")
    for width in (60, 120):
        for line in summary(made, width):
            assert all(c.isprintable() for c in line.text)
            assert cell_len(line.text) <= width
    told = json_text(made.assessment)
    assert told.isascii()
    assert all(c.isprintable() or c == "\n" for c in told)
    assert json.loads(told)["charger"]["label"] == hostile, "a program gets what was said"


def test_hostile_texts_are_harmless_from_every_command(ebbwatt, tmp_path):
    # Control characters in a label are refused before anything is done with it.
    label = "[2J<script>alert(1)</script>[red]" + "A" * 3000
    (tmp_path / "ebbwatt.toml").write_text(
        f'[charger]\nlabel = "{label}"\nrated_w = 110\n[fuel]\n[log]\ninterval_s = 30\n'
    )
    words = ("running", "\x1b[31mred\x1b[0m")
    rows = [f"{1700000000 + 30 * k},13.1,8.0,{words[k % 50 == 0]}" for k in range(600)]
    name = "lo\x1b[31mg<b>.csv"
    (tmp_path / name).write_text("time,voltage_v,current_a,state\n" + "\n".join(rows) + "\n")
    done = [ebbwatt("import", name, cwd=tmp_path)]
    acting = tmp_path / "acting.toml"
    acting.write_text('[charger]\nlabel = "\\u001b[2J\\u0007"\nrated_w = 110\n')
    done.append(ebbwatt("report", "--config", acting, cwd=tmp_path, status=2))
    assert "line 2: charger.label" in done[-1].stderr
    for k, text in enumerate(scenes.HOSTILE):
        done.append(ebbwatt("event", "add", "note", "--text", text[:2000], "--at",
                            f"2023-11-14T2{k % 4}:00:0{k}Z", cwd=tmp_path))  # fmt: skip
    audit = ROOT / "fixtures/audit.csv"
    commands = (
        *READING,
        ("report", "--html", "r.html"),
        ("event", "list", "--json"),
        ("load", "--json"),
        ("fuel", "--json"),
        ("check",),
        ("size", "--audit", audit),
        ("size", "--audit", audit, "--json"),
    )
    done += [ebbwatt(*arguments, cwd=tmp_path) for arguments in commands]
    for one in done:
        for line in (one.stdout + one.stderr).splitlines():
            assert all(c.isprintable() for c in line), (one.args, line)
    assert "<script>alert" not in (tmp_path / "r.html").read_text(encoding="utf-8")
