"""Makes the pictures of the README from the demonstration: ``make pictures``.

Needs headless Chromium (Debian package chromium). Both pictures are what the programs print; only
the frame round the terminal is added here.
"""

import html
import io
import re
import sys
import tempfile
from datetime import UTC, date
from pathlib import Path

from rich.console import Console
from rich.style import Style

from analysis.assessment.case import Case
from analysis.demo import DAYS, live, make_folder
from analysis.fuel.outlook import fuel_of
from analysis.history.history import load_history
from analysis.show.dashboard.facts import Moment, collect
from analysis.show.dashboard.frame import frame
from analysis.show.dashboard.marks import BRAILLE_MARKS
from analysis.show.dashboard.watch import fuel_facts, recent_history
from analysis.show.matter import Matter
from analysis.show.page.identity import identity_of
from analysis.show.page.report.page import write_page
from logger import __version__
from tests.support.screens.browser import browse

#: Braille patterns: a browser takes them from another font, whose cells have another width.
_CELL = re.compile("[\u2800-\u28ff]")
PICTURES = Path(__file__).resolve().parents[3] / "fixtures/pictures"


def picture(page: Path, name: str, size: str, work: Path) -> None:
    """Let the browser take a picture of a page."""
    browse(page, work, f"--window-size={size}", f"--screenshot={PICTURES / name}")
    print(f"{name}: {(PICTURES / name).stat().st_size / 1000:.0f} kB")


def _dots(found: re.Match[str]) -> str:
    """Return a braille pattern as dots that fill their cell, as terminals draw them."""
    bits = ord(found[0]) - 0x2800
    # Bits 0 to 2 and 6 are the left column from the top, 3 to 5 and 7 the right one (Unicode).
    places = ((0, 0), (0, 1), (0, 2), (1, 0), (1, 1), (1, 2), (0, 3), (1, 3))
    dots = "".join(
        f'<ellipse cx="{x + 0.5}" cy="{y + 0.5}" rx=".3" ry=".3"/>'
        for bit, (x, y) in enumerate(places)
        if bits >> bit & 1
    )
    return f'<svg viewBox="0 0 2 4" preserveAspectRatio="none">{dots}</svg>'


def terminal(lines, *, dark=True) -> str:
    """Return HTML that looks like a terminal with the lines in it, as rich renders them."""
    paper, ink = ("#14181c", "#e0e0e0") if dark else ("#ffffff", "#1b1b1b")
    console = Console(width=200, color_system="truecolor", force_terminal=True, file=io.StringIO())
    rows = []
    for line in lines:
        pieces = []
        for segment in console.render(line):
            style = segment.style or Style.null()
            colour = style.color.get_truecolor().hex if style.color else ink
            weight = "bold" if style.bold else "normal"
            text = _CELL.sub(_dots, html.escape(segment.text.rstrip("\n")))
            pieces.append(f'<span style="color:{colour};font-weight:{weight}">{text}</span>')
        rows.append("".join(pieces))
    return (
        '<meta charset="utf-8"><style>svg { width: 1ch; height: 1.25em; vertical-align: top; '
        "fill: currentColor }</style>"
        f'<body style="margin:0;background:{paper};color:{ink}">'
        '<pre style="font:15px/1.25 DejaVu Sans Mono,monospace;padding:14px;margin:0">'
        + "\n".join(rows)
        + "</pre>"
    )


def main() -> int:
    """Make both pictures."""
    PICTURES.mkdir(parents=True, exist_ok=True)
    with tempfile.TemporaryDirectory() as temporary:
        work = Path(temporary)
        make_folder(work / "demo")
        demo = live(work / "demo", DAYS, date(2025, 9, 8), lambda _: None)
        path = demo.config.store.path
        case = Case(load_history(path), demo.config)
        recent = recent_history(path, demo.end_s)
        moment = Moment(demo.end_s, 0.0, "", UTC)
        facts = collect(
            moment,
            demo.config,
            demo.snapshot,
            recent,
            case.assessment,
            fuel=fuel_facts(fuel_of(case)),
        )
        lines = frame(facts, 80, BRAILLE_MARKS)
        (work / "terminal.html").write_text(terminal(lines), encoding="utf-8")
        height = round(15 * 1.25 * len(lines)) + 2 * 14
        picture(work / "terminal.html", "dashboard.png", f"760,{height}", work)
        events = case.history.events
        who = identity_of(demo.config, "Jo Marten", "clamp meter, invented")
        matter = Matter(
            case.assessment, events, demo.end_s, __version__, load=case.load, identity=who
        )
        write_page(work / "report.html", matter, {})
        picture(work / "report.html", "report.png", "900,1330", work)
    return 0


if __name__ == "__main__":
    sys.exit(main())
