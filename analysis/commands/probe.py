"""``ebbwatt probe``: what a device really says, decoded live, without storing anything."""

from __future__ import annotations

import contextlib
import sys
import time
from collections.abc import AsyncGenerator
from dataclasses import replace
from pathlib import Path
from typing import IO, TYPE_CHECKING, Any

from analysis import interrupts
from analysis.arguments import positive_number, whole_number
from analysis.text import for_encoding, say
from logger.config import find_config, load_config
from logger.errors import SourceError, UsageError

if TYPE_CHECKING:
    import argparse
    from collections.abc import AsyncIterator, Callable

    from analysis.probe.shown import Manner
    from logger.config import Config
    from logger.reading import Reading
    from logger.sources.base import Source
    from logger.sources.pipeline import Outcome
    from logger.sources.serial_line import SerialSource
    from logger.sources.spacing import Spacing

    #: A file for a capture, and what gives it its name.
    _Capture = tuple[IO[str], Callable[[], None]]

#: How long --scan listens, s, where --seconds does not say (our choice).
SCAN_S = 10.0

#: How a serial line is read whose device nobody has described yet.
_FIRST_GUESS = {"decoder": {"kind": "keyvalue"}, "fields": {"voltage_v": "U"}}

HELP = "show what the device says, raw and decoded, without storing it"
DESCRIPTION = (
    "Reads the configured source and shows raw bytes beside decoded values and states, counts "
    "what was good and what was refused, and suggests what to change in the description. "
    "Stores nothing; sends nothing but the configured questions. Ends after --seconds or "
    "--count, or with Ctrl-C. With --scan, lists Bluetooth LE devices."
)
EXAMPLE = "ebbwatt probe --seconds 20 --capture talk.jsonl"


def add_arguments(parser: argparse.ArgumentParser) -> None:
    """Declare the arguments of this command."""
    parser.add_argument(
        "--seconds", type=positive_number, metavar="S", help="end after so many seconds"
    )
    parser.add_argument(
        "--count", type=whole_number(1, 10**9), metavar="N", help="end after so many readings"
    )
    parser.add_argument(
        "--scan",
        nargs="?",
        const="",
        metavar="ADDRESS",
        help="instead: list the Bluetooth LE devices within reach, or what one of them offers; "
        "needs no configuration",
    )
    parser.add_argument("--adapter", default="", metavar="NAME", help="for --scan, such as hci1")
    shown = parser.add_mutually_exclusive_group()
    shown.add_argument(
        "--hex",
        action="store_true",
        help="show bytes in hexadecimal with their places below, and at the end what they could be",
    )
    shown.add_argument(
        "--raw", action="store_true", help="show what arrives as it arrives, and decode nothing"
    )
    parser.add_argument(
        "--verbose",
        action="store_true",
        help="show when each message came, what was asked, and how long the answer took",
    )
    parser.add_argument(
        "--write",
        type=Path,
        metavar="FILE",
        help="write a first description of the device from what it says; "
        "'ebbwatt check FILE --against CAPTURE' judges it",
    )
    parser.add_argument(
        "--source",
        default="",
        metavar="NAME",
        help="of two [[source]] tables, show this one, with its bytes",
    )
    parser.add_argument(
        "--capture", type=Path, metavar="FILE", help="keep the raw bytes for replay and check"
    )


def run(args: argparse.Namespace) -> int:
    """Probe the configured source, or list the devices on Bluetooth LE."""
    import asyncio

    if args.scan is not None:
        return _look_round(args)
    config = _with_first_guess(_one_source(load_config(find_config(args.config)), args.source))
    if args.write is not None and args.write.exists():
        raise UsageError(f"{args.write}: is there already; name a new file")
    if (shown := _undescribed(config, args.seconds)) is not None:
        lines, described = shown
        if args.write is not None:
            from analysis.probe.draft import save

            if not described:
                raise UsageError(f"{args.write}: there is nothing yet that could be described")
            lines = [*lines, "", *save(args.write, "\n".join(described) + "\n")]
        print("\n".join(for_encoding(line, sys.stdout.encoding) for line in lines))
        return 0
    with contextlib.ExitStack() as stack:
        capture = None
        if args.capture is not None:
            from logger.sources.capture import CAPTURE
            from logger.system.output import growing_file, kept

            capture = stack.enter_context(growing_file(args.capture, CAPTURE, kept(config)))
        try:
            return asyncio.run(_probe(config, args, capture))
        except asyncio.CancelledError:
            return interrupts.status_of_cancelled()


def _one_source(config: Config, name: str) -> Config:
    """Return the configuration with the source of that name alone."""
    if not name:
        return config
    from logger.sources.several.together import tables

    found = tables(config)
    if name not in found:
        names = ", ".join(found) or "none: there is one [source]"
        raise UsageError(f"--source {name}: no source is called that; there: {names}")
    return found[name]


def _with_first_guess(config: Config) -> Config:
    """Return a configuration that can be probed though its device is not described yet."""
    source = config.source
    if source is None or source.get("kind") != "serial" or {"description", "decoder"} & {*source}:
        return config
    print("no [source.decoder] yet: looking for lines of key=value, as a guess", file=sys.stderr)
    return replace(config, source=_FIRST_GUESS | source)


def _undescribed(config: Config, seconds: float | None) -> tuple[list[str], list[str]] | None:
    """Ask a source that is not described yet: return what it offers, and its description if any.

    None where the source cannot be asked, or is described already.
    """
    source = config.source or {}
    if "description" in source:
        return None
    if source.get("kind") == "hwmon" and "fields" not in source:
        from analysis.probe.sensors import listed
        from logger.sources.hwmon import ROOT

        lines, paste = listed(config.path.parent / str(source.get("root", ROOT)))
        described = [line.replace("[source.", "[") for line in paste]
        return lines, [*described, "[decoder]", 'kind = "hwmon"'] if paste else []
    if source.get("kind") == "modbus_tcp":
        return _walked(config, source)
    if source.get("kind") == "can" and "decoder" not in source:
        return _listened(config, seconds), []
    return None


def _listened(config: Config, seconds: float | None) -> list[str]:
    """Listen to a CAN bus that is not described yet."""
    from analysis.probe import bus
    from logger.sources.can.source import checked_interface

    interface = checked_interface(config)
    lasts_s = seconds or bus.LISTEN_S
    say(f"listening to {interface} for {lasts_s:g} s; nothing is sent", file=sys.stderr)
    interrupts.raise_interrupt()
    return bus.listed(bus.listen(interface, lasts_s), lasts_s)


def _walked(config: Config, source: dict[str, Any]) -> tuple[list[str], list[str]] | None:
    """Walk through the models of a device with SunSpec where nobody says where they begin."""
    import asyncio

    from analysis.probe import sunspec
    from logger.sources.modbus_tcp import checked_address

    decoder = source.get("decoder", {})
    known = isinstance(decoder, dict) and decoder.get("kind", "sunspec") == "sunspec"
    if not known or "model_714" in decoder:
        return None
    host, port = checked_address(config)
    unit = decoder.get("unit", 1)
    if not isinstance(unit, int) or not 0 <= unit <= 255:
        raise config.document.error(
            f"got {unit!r}; accepted: a whole number from 0 to 255", "source", "decoder", "unit"
        )
    say(f"looking for SunSpec on {host}:{port}, unit {unit}; it is only read", file=sys.stderr)
    interrupts.raise_interrupt()
    found = asyncio.run(sunspec.discover(host, port, unit))
    lines = sunspec.told(found)
    if described := sunspec.description(found, unit):
        return [
            *lines,
            "",
            "# a description: a file of its own, named by description = FILE",
            *described,
        ], described
    return [*lines, "", "no port of a model 714 gives voltage and current: nothing to log"], []


def _look_round(args: argparse.Namespace) -> int:
    import asyncio

    from analysis.probe import scan
    from logger.sources.ble import ADDRESS

    if args.capture is not None or args.count is not None:
        raise UsageError("--scan takes no other options but --seconds and --adapter")
    seconds = args.seconds or SCAN_S
    interrupts.raise_interrupt()
    if not args.scan:
        say(f"listening for {seconds:g} s; nothing is sent to any device", file=sys.stderr)
        seen = asyncio.run(scan.scan(seconds, args.adapter))
        lines = [line for device in seen[: scan.MOST_DEVICES] for line in device.lines()]
        lines.append(f"{len(seen)} devices; more about one: ebbwatt probe --scan ADDRESS")
    elif not ADDRESS.fullmatch(args.scan):
        raise UsageError(f"--scan takes an address such as AA:BB:CC:DD:EE:01, not {args.scan!r}")
    else:
        lines = asyncio.run(scan.look_into(args.scan.upper(), seconds, args.adapter))
    for line in lines:
        print(for_encoding(line, sys.stdout.encoding))
    return 0


async def _probe(config: Config, args: argparse.Namespace, capture: _Capture | None) -> int:
    import asyncio

    from analysis.probe.shown import Manner
    from analysis.probe.transcript import reading_words
    from logger.sources import open_source
    from logger.sources.spacing import Spacing

    interrupts.cancel_this_task()
    source = open_source(config)
    count: int | None = args.count
    manner = Manner(args.hex, args.raw, args.verbose, args.write)
    watcher = _Watcher.of(source, capture, config, manner)
    say(f"probing {source.describe()}; nothing is stored", file=sys.stderr)
    shown, lost = 0, False
    began_s: float | None = None
    spacing = Spacing(config.log)
    try:
        async with asyncio.timeout(args.seconds), _session(source) as readings:
            async for reading in readings:
                shown += 1
                spacing.hear(reading.time_s)
                if watcher is None:
                    began_s = reading.time_s if began_s is None else began_s
                    since_s = reading.time_s - began_s
                    say(f"{since_s:9.3f} s  {reading_words(reading)}", flush=True)
                if count is not None and shown >= count:
                    break
    except TimeoutError:
        pass
    except SourceError:
        lost = True
        raise
    finally:
        await source.close()
        if watcher is None:
            for reason, number in source.refusals.by_reason.items():
                say(f"  {number} x {reason}")
        elif not lost or watcher.heard:
            # Of a port that could not be opened there is no more to say than why.
            watcher.sum_up()
        _tell_spacing(spacing)
    return 0


def _tell_spacing(spacing: Spacing) -> None:
    from logger.sources.spacing import rounded

    if spacing.usual_s is not None:
        say(f"readings come every {rounded(spacing.usual_s):g} s")
    if words := spacing.wrong_words():
        say(f"hint: {words}")


@contextlib.asynccontextmanager
async def _session(source: Source) -> AsyncIterator[AsyncIterator[Reading]]:
    """Yield a session's readings, and close the link while the event loop still runs."""
    readings = source.readings()
    try:
        yield readings
    finally:
        if isinstance(readings, AsyncGenerator):
            await readings.aclose()


class _Watcher:
    """Prints each message as it comes, and keeps the bytes if a capture is wanted."""

    def __init__(self, source: SerialSource, capture: _Capture | None, config: Config) -> None:
        from analysis.probe.heard import Heard
        from analysis.probe.shown import Manner
        from analysis.probe.transcript import Transcript
        from logger.sources.capture import CaptureWriter

        self.manner = Manner()
        self._heard = Heard(config.plausible["current_a"][1])
        self._began_s = self._asked_s = time.clock_gettime(time.CLOCK_BOOTTIME)

        self._source = source
        fields = (config.source or {}).get("fields")
        self._transcript = Transcript(
            source.description,
            config.plausible,
            nominal_v=config.battery.nominal_v,
            judges_bank=config.judges_bank,
            first_guess=fields is _FIRST_GUESS["fields"],
        )
        self._offset_s = time.time() - time.clock_gettime(time.CLOCK_BOOTTIME)
        self._capture: CaptureWriter | None = None
        self._settle: Callable[[], None] | None = None
        if capture is not None:
            file, self._settle = capture
            self._capture = CaptureWriter(file, time.time(), source.describe())
        source.observe(self._watch, self._tap)

    @classmethod
    def of(
        cls, source: Source, capture: _Capture | None, config: Config, manner: Manner
    ) -> _Watcher | None:
        """Watch a source that decodes bytes; None for one that has none to show."""
        if not hasattr(source, "observe"):
            if capture is not None or manner.of_bytes:
                raise UsageError(
                    "--capture, --hex, --raw and --write need a source that receives bytes"
                )
            return None
        watcher = cls(source, capture, config)  # type: ignore[arg-type]
        watcher.manner = manner
        return watcher

    @property
    def heard(self) -> bool:
        """Tell whether anything arrived."""
        return self._transcript.received > 0

    def _watch(self, outcome: Outcome) -> None:
        raw = self.manner.bytes_words(outcome.item.raw)
        said = self._transcript.note(outcome, raw)
        if self.manner.raw:
            return
        if self.manner.verbose:
            said = f"{outcome.time_s - self._began_s:9.3f} s  {said}"
        print(said, flush=True)

    def _tap(
        self,
        boottime_s: float,
        data: bytes,
        sent: bool,  # noqa: FBT001 - callback
        channel: str,
    ) -> None:
        from logger.sources.capture import Chunk

        if sent:
            self._heard.asked(data)
            self._asked_s = boottime_s
        else:
            self._transcript.bytes_came(data, channel)
            self._heard.add(boottime_s, data, channel)
        if line := self.manner.traffic(
            boottime_s - self._began_s, data, sent, boottime_s - self._asked_s
        ):
            say(line, flush=True)
        if self._capture is not None:
            self._capture.write(Chunk(boottime_s + self._offset_s, data, channel, sent))
            if self._settle is not None and not sent:
                # Not before the first bytes, so that an earlier capture outlives a port that fails.
                self._settle()
                self._settle = None

    def sum_up(self) -> None:
        """Print the counts and what to try."""
        words = self._source.pipeline.counts.unknown_words
        print("\n".join(self._transcript.summary(words)))
        if self.manner.hex:
            from analysis.probe.draft_frames import candidate_lines

            print("\n".join(candidate_lines(self._heard)))
        if self.manner.write is not None:
            self._write(self.manner.write)

    def _write(self, path: Path) -> None:
        from analysis.probe.draft import draft, save

        description = self._source.description
        text = draft(self._heard, description.tables.get("line"), description.poll)
        for line in save(path, text):
            say(line)
