"""A first description of binary frames, and the table of what their bytes could be."""

from __future__ import annotations

import math
import struct
from dataclasses import dataclass
from typing import TYPE_CHECKING

from analysis.probe.find_frames import Found, find_frames
from analysis.probe.series import Guess, fields_table, guesses
from logger.sources.decoders.layouts import TYPES

if TYPE_CHECKING:
    from analysis.probe.heard import Heard

#: Types of number that are looked for in frames, with their bytes.
_TYPES = (("u16", 2), ("s16", 2), ("u32", 4), ("f32", 4))
#: A short name for each channel.
_NAMES = {
    "voltage_v": "volts", "current_a": "amps", "runtime_h": "hours", "temperature_c": "warmth",
}  # fmt: skip


@dataclass(frozen=True, slots=True)
class Value:
    """A value that was recognised, with where it stands in a message."""

    name: str
    place: str
    kind: int
    guess: Guess


def candidates(found: Found, heard: Heard) -> list[Value]:
    """Return what the values of frames may be, each byte in one of them, the likeliest first."""
    everything: list[tuple[int, int, str, str, int, Guess]] = []
    for kind, frames in found.kinds.items():
        period_s = heard.seconds / len(frames)
        lasted_s = period_s * (len(frames) - 1)
        front = len(found.start) if found.type_at is None else found.type_at + 1
        room = len(frames[0]) - found.size
        for name, size in _TYPES:
            for order in ("little", "big"):
                for at in range(front, room - size + 1):
                    numbers = [_number(frame[at : at + size], name, order) for frame in frames]
                    if name == "s16" and min(numbers) >= 0.0:
                        continue  # the same as without a sign
                    everything += [
                        (guess.weight, kind, name, order, at, guess)
                        for guess in guesses(
                            numbers,
                            lasted_s,
                            whole=name != "f32",
                            slack_s=period_s,
                            most_a=heard.most_a,
                        )
                    ]
    everything.sort(key=lambda row: (-row[0], -dict(_TYPES)[row[2]]))
    order = next((o for _, _, n, o, _, g in everything if g.channel == "voltage_v"), "little")
    taken: set[tuple[int, int]] = set()
    known: dict[str, Value] = {}
    for _, kind, name, of, at, guess in everything:
        bytes_of = {(kind, k) for k in range(at, at + dict(_TYPES)[name])}
        if guess.channel in known or taken & bytes_of or of != order:
            continue
        taken |= bytes_of
        place = f'{{ at = {at}, type = "{name}" }}'
        known[guess.channel] = Value(_NAMES[guess.channel], place, kind, guess)
    return [Value(v.name, f"{v.place}  # {order}", v.kind, v.guess) for v in known.values()]


def _number(data: bytes, name: str, order: str) -> float:
    (value,) = struct.unpack(("<" if order == "little" else ">") + TYPES[name], data)
    return float(value) if math.isfinite(value) else 0.0


def candidate_lines(heard: Heard) -> list[str]:
    """Return a table of what the bytes of frames may be, each with the lines to paste."""
    found = find_frames(heard.data, heard.packets)
    if found is None:
        return []
    lines = []
    for value in candidates(found, heard):
        place, _, order = value.place.partition("  # ")
        where = f"frames of type 0x{value.kind:02X}, " if found.type_at is not None else ""
        lines.append(f"  {where}{value.name} = {place}, byte_order {order}: {value.guess.words()}")
        lines.append(f"      {value.guess.line(value.name)}")
    return ["what the bytes could be, with the lines to paste:", *lines] if lines else []


def frame_draft(heard: Heard) -> str:
    """Return [decoder] and [fields] for binary frames; a remark where none are found."""
    found = find_frames(heard.data, heard.packets)
    if found is None:
        return (
            "# No frames were found: too few bytes, a wrong speed (baud in [line]), or a framing\n"
            "# that is not known here. The first bytes:\n"
            f"# {heard.data[:48].hex(' ')}\n"
        )
    values = candidates(found, heard)
    order = values[0].place.partition("  # ")[2] if values else "little"
    lines = ["[decoder]", 'kind = "frame"']
    if found.framing != "plain":
        lines.append(f'framing = "{found.framing}"')
    if found.start:
        lines.append(f'start = "{found.start.hex().upper()}"')
    lines += found.checksum.split(", ") if found.checksum else []
    lines.append(f'byte_order = "{order}"')
    if len(found.kinds) > 1 and found.type_at is not None:
        lines.append(f"type_at = {found.type_at}")
    for kind, frames in found.kinds.items():
        places = [
            f"layout.{v.name} = {v.place.partition('  # ')[0]}  # seen: {v.guess.words()}"
            for v in values
            if v.kind == kind
        ]
        if len(found.kinds) > 1:
            lines += ["", f"[[decoder.frames]]  # seen {len(frames)} times"]
            lines += [f"type = 0x{kind:02X}"] if found.type_at is not None else []
        lines += [f"length = {len(frames[0])}", *places]
    usual = max((len(f) for f in found.kinds.values()), default=1)
    fields = []
    for value in values:
        line = value.guess.line(value.name)
        times = len(found.kinds[value.kind])
        if times < 0.6 * usual and heard.seconds:
            # What comes seldom stands until it has failed to come twice.
            hold = f"hold_s = {2.5 * heard.seconds / max(times - 1, 1):.0f}"
            line = (
                line.replace(" }", f", {hold} }}")
                if line.endswith("}")
                else line.replace(f'"{value.name}"', f'{{ from = "{value.name}", {hold} }}')
            )
        fields.append(line)
    return "\n".join([*lines, "", *fields_table(fields)])
