"""The invented fleet: it lives, hands in, is ranked; small here, whole by hand."""

from dataclasses import replace

import pytest

from analysis import cli
from analysis.fleet import demo


@pytest.fixture
def small(monkeypatch):
    """Six boats of short lives."""
    monkeypatch.setattr(demo, "NAMES", demo.NAMES[:6])
    monkeypatch.setattr(
        demo, "TYPES", tuple(replace(kind, life_kh=kind.life_kh / 10) for kind in demo.TYPES)
    )


@pytest.mark.slow
@pytest.mark.timeout(300)
def test_a_fleet_lives_and_is_shown(small, tmp_path, capsys):
    out = tmp_path / "out"
    assert cli.main(["fleet", "demo", "--out", str(out), "--workers", "0"]) == 0
    told = capsys.readouterr().out
    assert "6 boats:" in told
    assert "refused:" in told
    assert "wet-stick.db" in told
    for kind in demo.TYPES:
        assert f"{kind.name}: 2 boats" in told
    page = (out / "fleet.html").read_text()
    assert all(name in page for name in demo.NAMES)
    assert page.count("report.html") == 6
    assert len(list((out / demo.FLEET).glob("boats/*/*/report.html"))) == 6
    # A folder with anything in it is left alone.
    assert cli.main(["fleet", "demo", "--out", str(out)]) == 2
    assert "is not empty" in capsys.readouterr().err


def test_a_boat_is_the_same_each_time_and_its_log_ends_when_it_should(small, tmp_path):
    from datetime import date

    from analysis.history.history import load_history

    ends = []
    for folder in (tmp_path / "a", tmp_path / "b"):
        demo.make_folder(folder)
        demo.live(demo.tasks(folder, date(2025, 9, 8))[0])
        log = load_history(folder / "incoming" / "avocet.db")
        ends.append((len(log), float(log.end_s[-1]), float(log.energy_j.sum())))
    assert ends[0] == ends[1]
    assert 0 <= (date(2025, 9, 8).toordinal() - 719163) * 86400 - ends[0][1] < 10 * 86400
