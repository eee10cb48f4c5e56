"""Measures what a commit writes to the disk: ``python -m tests.bench.wear`` (root, 14 minutes).

Each case has an ext4 of its own in a file, so that the device's counter sees its data, its metadata
and its share of the journal. Commits are 45 s apart, so that each is written back before the next.
"""

import os
import sqlite3
import subprocess
import sys
import tempfile
import time
from concurrent.futures import ThreadPoolExecutor
from pathlib import Path

from logger.config import ChargerConfig
from logger.store.records import SessionStart
from logger.store.writer import Writer
from tests.support.rigs.committer import interval

PLAIN, LAZY = "noatime", "noatime,lazytime"
FAST = "-O fast_commit"
#: What is written, how the file system is mounted, and how it was made.
CASES = (
    ("idle", PLAIN, ""),
    ("commit, log at full length", PLAIN, ""),
    ("commit, log at full length", LAZY, ""),
    ("commit, log at full length", PLAIN, FAST),
    ("commit, log at full length", PLAIN, "-b 1024"),
    ("commit, log at full length", PLAIN, f"-b 1024 {FAST}"),
    ("commit, log still growing", PLAIN, ""),
    ("commit, index in memory", PLAIN, ""),
    ("commit, index in memory", PLAIN, FAST),
    ("commit, index in memory", PLAIN, f"-b 1024 {FAST}"),
    ("512 bytes in place, direct", PLAIN, ""),
    ("512 bytes in place, direct", LAZY, ""),
    ("4096 bytes in place, fdatasync", PLAIN, ""),
    ("4096 bytes in place, fdatasync", LAZY, FAST),
)
SETTLE_S, SPACING_S, COMMITS = 75.0, 45.0, 12


def device_bytes(device):
    return int(Path(f"/sys/block/{device}/stat").read_text(encoding="ascii").split()[6]) * 512


def process_bytes():
    lines = Path("/proc/self/io").read_text(encoding="ascii").splitlines()
    return next(int(x.split()[1]) for x in lines if x.startswith("write_bytes"))


def work(case, folder):
    """Return what one event does, after everything that comes before the first."""
    if case == "idle":
        return lambda: None
    if "in place" in case:
        path = folder / "block"
        path.write_bytes(bytes(4096))
        if "direct" not in case:
            file = os.open(path, os.O_RDWR)

            def put():
                os.pwrite(file, os.urandom(4096), 0)
                os.fdatasync(file)

            return put
        import mmap

        file = os.open(path, os.O_RDWR | os.O_DIRECT | os.O_DSYNC)
        page = mmap.mmap(-1, 512)
        page[:] = b"x" * 512
        return lambda: os.pwrite(file, page, 0)
    start = SessionStart("rig", 0.0, boot_id="rig", offset_s=1.7e9, offset_quality=1)
    path = folder / "ebbwatt.db"
    if "index" in case:
        # So nobody else could read beside the writer: it shows what the index file costs, no more.
        plain = sqlite3.connect
        sqlite3.connect = lambda *a, **k: exclusive(plain(*a, **k))
    writer = Writer(path, ChargerConfig("x", 110.0), start)
    numbers = iter(range(10**6))

    def commit():
        writer.add(interval(next(numbers)))
        writer.commit()

    for _ in range(2 if "growing" in case else 600):
        commit()
    return commit


def exclusive(connection):
    connection.execute("PRAGMA locking_mode = EXCLUSIVE")
    return connection


def measure(case, how, folder, device):
    """Run in a process of its own; print kB a commit by device and by process."""
    event = work(case, folder)
    os.sync()
    time.sleep(SETTLE_S)
    before = device_bytes(device), process_bytes()
    for _ in range(COMMITS):
        event()
        time.sleep(SPACING_S)
    after = device_bytes(device), process_bytes()
    kb = [(b - a) / COMMITS / 1000.0 for a, b in zip(before, after, strict=True)]
    print(
        f"{case:31} {how:26} {kb[0]:6.1f} {kb[1]:6.1f}   {kb[0] * 1.44:6.1f} {kb[0] * 0.072:6.2f}"
    )


def mounted(case, options, made, number, folder):
    """Make a file system, run one case on it, and return what it printed."""
    image, disk = folder / f"{number}.img", folder / f"{number}"
    disk.mkdir()
    with image.open("wb") as file:
        file.truncate(96 * 2**20)
    quick = "lazy_itable_init=0,lazy_journal_init=0"
    subprocess.run(["mkfs.ext4", "-q", "-b", "4096", *made.split(), "-E", quick, image], check=True)
    loop = ["losetup", "--find", "--show", image]
    device = subprocess.run(loop, check=True, capture_output=True, text=True).stdout.strip()
    try:
        subprocess.run(["mount", "-o", options, device, disk], check=True)
        arguments = [
            sys.executable,
            "-m",
            "tests.bench.wear",
            case,
            f"{options} {made}",
            disk,
            Path(device).name,
        ]
        return subprocess.run(arguments, check=True, capture_output=True, text=True).stdout
    finally:
        subprocess.run(["umount", disk], check=False)
        subprocess.run(["losetup", "-d", device], check=False)


def main():
    if len(sys.argv) == 5:
        measure(sys.argv[1], sys.argv[2], Path(sys.argv[3]), sys.argv[4])
        return
    print(f"{'':58} kB a commit       MB a day, device\n{'':58} device process   60 s  1200 s")
    with tempfile.TemporaryDirectory() as folder, ThreadPoolExecutor(len(CASES)) as pool:
        cases = [pool.submit(mounted, *c, k, Path(folder)) for k, c in enumerate(CASES)]
        print("".join(case.result() for case in cases), end="")


if __name__ == "__main__":
    main()
