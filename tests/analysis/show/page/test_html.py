"""The report in a real browser and on paper: reading it, printing it, and what it must not do."""

import html
import itertools
import json
import re
import socket
import subprocess
import threading
from contextlib import closing
from dataclasses import replace
from urllib.parse import unquote

import numpy as np
import pytest

from analysis.estimate import Span
from analysis.fleet.demand import demand
from analysis.fleet.facts import Facts
from analysis.fleet.listing import FleetList, Group
from analysis.fleet.ranking import Boat, ranked
from analysis.show.comparison import compare
from analysis.show.page.fleet_page import fleet_page
from analysis.show.page.report.page import page, write_page
from analysis.show.page.style import DARK_INKS, INKS, STYLE
from tests.support.screens import scenes
from tests.support.screens.browser import browse
from tests.support.screens.pages import SCENES, earlier, matter
from tests.support.screens.wcag import contrast

#: Looks at the page in each frame as a reader with a screen reader or poor eyes would. The probe is
#: the test's own; the page itself holds no script. Contrast is that of the computed colours.
_PROBE = """
const found = [];
for (const frame of document.querySelectorAll('iframe')) {
  const d = frame.contentDocument, w = frame.contentWindow, all = q => [...d.querySelectorAll(q)];
  const hex = c => '#' + c.match(/[0-9]+/g).slice(0, 3).map(
    v => (+v).toString(16).padStart(2, '0')).join('');
  const ground = e => { for (; e; e = e.parentElement) {
    const c = w.getComputedStyle(e).backgroundColor;
    if (!/, 0\\)$/.test(c)) return hex(c); } return '#ffffff'; };
  const texts = [];
  const walker = d.createTreeWalker(d.body, NodeFilter.SHOW_TEXT);
  while (walker.nextNode()) {
    const e = walker.currentNode.parentElement, s = w.getComputedStyle(e);
    if (!walker.currentNode.data.trim() || !e.getClientRects().length) continue;
    texts.push([hex(e.ownerSVGElement ? s.fill : s.color), ground(e)]);
  }
  found.push({
    width: d.documentElement.clientWidth, scroll: d.documentElement.scrollWidth,
    colours: [...new Set(texts.map(t => t.join()))], texts: texts.length,
    lang: d.documentElement.lang, title: d.title,
    landmarks: ['header', 'main', 'footer'].map(n => all('body > ' + n).length),
    headings: all('h1, h2, h3, h4, h5, h6').map(h => +h.tagName[1]),
    bareCells: all('table').filter(t => !t.caption || !t.querySelector('thead th[scope=col]') ||
      [...t.tBodies[0].rows].some(r => r.cells[0].scope !== 'row')).length,
    unnamedHeads: all('thead').filter(h => !h.textContent.trim()).length,
    mutePictures: all('svg').filter(s => s.getAttribute('aria-hidden') !== 'true' &&
      !(s.getAttribute('role') === 'img' && (s.getAttribute('aria-labelledby') || '').split(' ')
        .every(id => (d.getElementById(id) || {}).textContent))).length + all('img').length,
    drawings: all('svg[role=img]').filter(s => s.getClientRects().length).length,
    cut: all('table').filter(t => t.scrollWidth > t.parentElement.clientWidth &&
      t.caption.textContent === 'What changed').length,
    twiceUsed: all('[id]').length - new Set(all('[id]').map(e => e.id)).size,
    scripts: all('script, link, object, embed, iframe, form').length,
  });
}
document.title = encodeURIComponent(JSON.stringify(found));
"""


@pytest.fixture
def chromium(program):
    return program("chromium", "chromium")


def looked_at(pages, width, work):
    """Return what the probe finds in pages that are shown in frames of a width.

    Chromium's window has a least width, hence the frames.
    """
    frames = "".join(
        f'<iframe style="width:{width}px;height:900px;border:0" srcdoc="{html.escape(text)}">'
        "</iframe>"
        for text in pages
    )
    probe = work / "probe.html"
    probe.write_text(
        f"<!DOCTYPE html><meta charset=utf-8>{frames}<script>onload = () => {{{_PROBE}}}</script>",
        encoding="utf-8",
    )
    done = browse(probe, work, "--virtual-time-budget=5000", "--dump-dom")
    return json.loads(unquote(re.search(r"<title>([^<]+)</title>", done.stdout)[1]))


_DARK = "@media screen and (prefers-color-scheme: dark)"


@pytest.mark.parametrize("media", ["screen", "print", "dark"])
@pytest.mark.parametrize("width", [360, 1000])
def test_every_situation_can_be_read_by_everyone(chromium, tmp_path, width, media):
    made = [matter(name, scenes.hostile_events()) for name in SCENES]
    made = [replace(m, comparison=compare(earlier(), m.assessment), full=True) for m in made]
    pages = [page(m) for m in made]
    if media == "print":
        pages = [text.replace("@media print", "@media all") for text in pages]
    if media == "dark":
        assert all(text.count(_DARK) == 1 for text in pages)
        pages = [text.replace(_DARK, "@media all") for text in pages]
    seen = looked_at(pages, width, tmp_path)
    assert len(seen) == len(SCENES)
    for name, found in zip(SCENES, seen, strict=True):
        assert found["width"] == width
        assert found["scroll"] <= width, "nothing runs off the side"
        # WCAG 2.1: 3.1.1 language, 2.4.2 title, 1.3.1 structure, 1.1.1 text alternatives, 4.1.1
        # unique ids, 1.4.3 contrast of text.
        assert found["lang"] == "en"
        assert found["title"].startswith("Charger report")
        assert found["landmarks"] == [1, 1, 1]
        levels = found["headings"]
        assert levels[0] == 1
        assert levels.count(1) == 1
        assert all(b - a <= 1 for a, b in itertools.pairwise(levels))
        for fault in ("bareCells", "unnamedHeads", "mutePictures", "cut", "twiceUsed", "scripts"):
            assert found[fault] == 0, (name, fault)
        assert found["drawings"] == (0 if name == "empty" else 3)
        assert found["texts"] > 40
        if media == "dark":
            grounds = {pair.split(",")[1] for pair in found["colours"]}
            assert all(contrast(ground, "#ffffff") > 7.0 for ground in grounds), "it is dark"
        for pair in found["colours"]:
            ink, ground = pair.split(",")
            assert contrast(ink, ground) >= 4.5, (name, ink, ground)


@pytest.mark.parametrize("width", [360, 1000])
def test_the_page_of_a_fleet_can_be_read_by_everyone(chromium, tmp_path, width):
    limit = Span(1.79e9, 1.80e9, 1.808e9)
    facts = Facts(
        "aft locker", 110.0, 1.76e9, 900.0, Span(0.8, 0.85, 0.9), Span(), "load",
        Span(10100.0, 12000.0, 13300.0), limit, None, "plan", "it is planned", (),
        ((0.0, 1.01), (900.0, 0.85)), timezone="Pacific/Kiritimati",
    )  # fmt: skip
    boat = Boat(
        "key", facts, "small", name="Turnstone", with_sisters=Span(10100.0, 12000.0, 13300.0),
        date_with_sisters=limit, sisters=1234, chance=0.02,
    )  # fmt: skip
    boats = ranked([boat, replace(boat, key="other", chance=0.5)], 1.76e9, 90)
    group = Group("small", 2, 3, demand([np.full(9, 1.77e9)] * 2, 1.76e9), 0)
    made = fleet_page(FleetList(boats, (group,), 0, 1.76e9, 90), "fleet", "0.1.0")
    (found,) = looked_at([made], width, tmp_path)
    assert found["width"] == width
    assert found["scroll"] <= width, "nothing runs off the side"
    for fault in ("bareCells", "unnamedHeads", "mutePictures", "cut", "twiceUsed", "scripts"):
        assert found[fault] == 0, fault
    assert found["drawings"] == 3
    assert found["texts"] > 20
    for pair in found["colours"]:
        ink, ground = pair.split(",")
        assert contrast(ink, ground) >= 4.5, (ink, ground)


@pytest.mark.parametrize("inks", [INKS, DARK_INKS], ids=["light", "dark"])
def test_inks_keep_their_contrast_on_every_ground(inks):
    assert list(inks) == list(INKS)
    for ground in ("paper", "ground"):
        for ink in ("text", "quiet"):
            # WCAG 2.1, success criterion 1.4.3.
            assert contrast(inks[ink], inks[ground]) >= 4.5, (ink, ground)
    for mark in ("seen", "atleast", "out", "fit", "rule"):
        for ground in ("paper", "band", "grid"):
            if (mark, ground) in {("rule", "band"), ("rule", "grid"), ("out", "band")}:
                continue  # the rated line and crosses may lie on a band; their shapes are told
            # WCAG 2.1, success criterion 1.4.11: graphical objects, 3 to 1.
            assert contrast(inks[mark], inks[ground]) >= 3.0, (mark, ground)


def test_the_measure_of_contrast_is_the_published_one():
    # WCAG 2.1: "contrast ratios can range from 1 to 21". 4.54 for this grey on white is the
    # textbook example of the lightest grey that passes (from memory).
    assert contrast("#000000", "#ffffff") == pytest.approx(21.0)
    assert contrast("#767676", "#ffffff") == pytest.approx(4.54, abs=0.005)
    assert contrast("#777777", "#ffffff") < 4.5


def test_the_style_names_no_ink_but_the_tested_ones():
    inks = {*INKS.values(), *DARK_INKS.values()}
    assert set(re.findall(r"#[0-9a-fA-F]{3,8}\b", STYLE)) == inks
    assert set(re.findall(r"var\(--([a-z]+)\)", STYLE)) <= set(INKS)


@pytest.mark.parametrize("name", SCENES)
def test_it_prints_on_two_or_three_pages_without_a_complaint(chromium, program, tmp_path, name):
    pdfinfo = program("pdfinfo", "poppler-utils")
    path, paper = tmp_path / "report.html", tmp_path / "r.pdf"
    # The longest that it usually gets: a comparison, and more events than are shown.
    made = matter(name, scenes.events() + scenes.hostile_events())
    write_page(path, replace(made, comparison=compare(earlier(), made.assessment)), {})
    done = browse(
        path, tmp_path, "--enable-logging=stderr", "--no-pdf-header-footer",
        f"--print-to-pdf={paper}",
    )  # fmt: skip
    assert "CONSOLE" not in done.stderr
    told = subprocess.run([pdfinfo, paper], capture_output=True, text=True, check=True).stdout
    assert 2 <= int(re.search(r"Pages:\s+(\d+)", told)[1]) <= 3
    assert "A4" in told
    pdftotext = program("pdftotext", "poppler-utils")
    words = subprocess.run([pdftotext, paper, "-"], capture_output=True, text=True, check=True)
    text = " ".join(words.stdout.split())
    for part in ("Charger report", "Recommended next action", "toxic by mouth", "licensed person"):
        assert part in text
    assert ("end of log" in text) == (name != "empty"), "the plots are on paper too"


def test_no_request_leaves_the_file(chromium, tmp_path):
    asked = []
    with closing(socket.create_server(("127.0.0.1", 0))) as server:
        server.settimeout(0.2)
        stop = threading.Event()

        def listen():
            while not stop.is_set():
                try:
                    peer, _ = server.accept()
                except TimeoutError:
                    continue
                with peer:
                    peer.settimeout(2.0)
                    asked.append(peer.recv(4096).split(b"\r\n")[0].decode(errors="replace"))
                    peer.sendall(b"HTTP/1.1 404 No\r\nContent-Length: 0\r\n\r\n")

        ear = threading.Thread(target=listen)
        ear.start()
        proxy = f"--proxy-server=http://127.0.0.1:{server.getsockname()[1]}"
        try:
            path = tmp_path / "report.html"
            write_page(path, matter("plan", scenes.hostile_events(), label=scenes.HOSTILE[0]), {})
            browse(path, tmp_path, proxy, "--dump-dom")
            from_report = [line for line in asked if "example.invalid" in line]
            # The same picture as markup is heard of: the ear works (the browser's own calls are
            # none of the page's).
            path.write_text("<img src=http://example.invalid/x>", encoding="utf-8")
            browse(path, tmp_path, proxy, "--dump-dom")
        finally:
            stop.set()
            ear.join()
    assert any("example.invalid/x" in line for line in asked)
    assert from_report == []
