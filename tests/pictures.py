"""Makes the pictures of the README from the demonstration: ``make pictures``.

Needs headless Chromium (Debian package chromium). Both pictures are what the programs print; only
the frame round the terminal is added here.
"""

import html
import subprocess
import sys
import tempfile
from datetime import UTC
from pathlib import Path

from analysis.assess import assess
from analysis.dashboard import frame
from analysis.dashboard_facts import Moment, collect
from analysis.dashboard_marks import INKS, UNICODE
from analysis.demo import DAYS, live, make_folder
from analysis.history import load_history
from analysis.report_page import write_page
from analysis.report_sections import Matter
from analysis.watching import RECENT_DAYS, fuel_facts, recent_history
from logger import __version__
from tests.test_report import FLAGS

PICTURES = Path(__file__).resolve().parent.parent / "fixtures/pictures"


def picture(page: Path, name: str, size: str, work: Path) -> None:
    """Let the browser take a picture of a page."""
    subprocess.run(
        [
            "chromium",
            *FLAGS,
            f"--user-data-dir={work / 'profile'}",
            f"--window-size={size}",
            f"--screenshot={PICTURES / name}",
            page.as_uri(),
        ],
        check=True,
        capture_output=True,
    )
    print(f"{name}: {(PICTURES / name).stat().st_size / 1000:.0f} kB")


def terminal(lines, page: Path) -> None:
    """Write a page that looks like a dark terminal with the lines in it."""
    rows = []
    for line in lines:
        pieces, at = [], 0
        spans = sorted((s.start, s.end, str(s.style)) for s in line.spans)
        for start, end, style in spans:
            ink = next((ink for ink in INKS.values() if ink in style), "#e0e0e0")
            weight = "bold" if "bold" in style else "normal"
            pieces.append(html.escape(line.plain[at:start]))
            text = html.escape(line.plain[max(at, start) : end])
            pieces.append(f'<span style="color:{ink};font-weight:{weight}">{text}</span>')
            at = max(at, end)
        pieces.append(html.escape(line.plain[at:]))
        rows.append("".join(pieces))
    page.write_text(
        '<meta charset="utf-8"><body style="margin:0;background:#14181c;color:#e0e0e0">'
        '<pre style="font:15px/1.25 DejaVu Sans Mono,monospace;padding:14px;margin:0">'
        + "\n".join(rows)
        + "</pre>",
        encoding="utf-8",
    )


def main() -> int:
    """Make both pictures."""
    PICTURES.mkdir(parents=True, exist_ok=True)
    with tempfile.TemporaryDirectory() as temporary:
        work = Path(temporary)
        make_folder(work / "demo")
        demo = live(work / "demo", DAYS, lambda _: None)
        path = demo.config.store.path
        history = load_history(path)
        assessment = assess(history, demo.config)
        recent = recent_history(path, demo.end_s - RECENT_DAYS * 86400.0)
        moment = Moment(demo.end_s, 0.0, "", UTC)
        facts = collect(
            moment,
            demo.config,
            demo.snapshot,
            recent,
            assessment,
            fuel=fuel_facts(history, demo.config),
        )
        terminal(frame(facts, 80, UNICODE), work / "terminal.html")
        picture(work / "terminal.html", "dashboard.png", "760,540", work)
        matter = Matter(assessment, history.events, demo.end_s, __version__)
        write_page(work / "report.html", matter)
        picture(work / "report.html", "report.png", "900,1330", work)
    return 0


if __name__ == "__main__":
    sys.exit(main())
