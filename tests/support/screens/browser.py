"""Runs headless Chromium for the tests of the page and for the pictures."""

import subprocess

FLAGS = [
    "--headless",
    "--no-sandbox",
    "--disable-gpu",
    "--disable-quic",
    "--no-first-run",
    "--disable-background-networking",
    "--disable-component-update",
    "--disable-sync",
    "--hide-scrollbars",
]


def browse(page, work, *flags, program="chromium"):
    """Open a page in a browser that knows nothing yet, and return the completed process."""
    return subprocess.run(
        [program, *FLAGS, f"--user-data-dir={work / 'profile'}", *flags, page.as_uri()],
        capture_output=True,
        text=True,
        timeout=250,
        check=True,
    )
