"""Walks through the models of a SunSpec device and writes the description that reads it.

Source of the walk: SunSpec Device Information Model; ``SunS`` at register 40000, 0 or 50000, then
number and length of each model, until the number 0xFFFF. Only functions 3 and 4 are sent.
"""

from __future__ import annotations

import asyncio
import json
import struct
from dataclasses import dataclass, field
from typing import TYPE_CHECKING

from logger.errors import SourceError
from logger.refusals import Refusals, printable
from logger.sources.decoders.modbus import EXCEPTIONS, FUNCTIONS, Block, request
from logger.sources.decoders.sunspec import (
    DC_HEAD,
    DC_PORT,
    INVERTER_STATES,
    POINTS,
    STATE_PART,
    STATES,
    point,
    state_word,
)
from logger.sources.link.conversation import opened
from logger.sources.link.tcp import TcpLink

if TYPE_CHECKING:
    from collections.abc import Awaitable, Callable

    #: Reads so many registers from one on.
    Ask = Callable[[int, int], Awaitable[tuple[int, ...]]]

#: Where ``SunS`` may stand, in the order in which it is looked for.
PLACES = (40000, 0, 50000)
_MARK = struct.unpack(">2H", b"SunS")
_END = 0xFFFF
#: A device that never comes to its end is left after so many models (our choice, devices have
#: some tens).
MOST_MODELS = 200
#: How long one answer may take, s (our choice).
ANSWER_S = 3.0
#: Kinds of DC port in model 714 (``PrtTyp``).
PORT_KINDS = (
    "photovoltaic", "energy storage", "vehicle", "injecting", "absorbing", "both ways", "DC to DC",
)  # fmt: skip
#: Ports that one question can reach (our choice).
MOST_PORTS = 4


@dataclass(slots=True)
class Port:
    """A DC port of model 714 and what it measures now."""

    number: int
    kind: str
    label: str
    values: dict[str, float | None]


@dataclass(slots=True)
class Found:
    """What the walk found.

    ``models`` holds number, first register and length of each model, in their order.
    """

    function: int
    base: int
    models: list[tuple[int, int, int]] = field(default_factory=list)
    maker: str = ""
    ports: list[Port] = field(default_factory=list)
    states: dict[str, str | None] = field(default_factory=dict)

    def at(self, model: int) -> int | None:
        """Return where a model begins, None where the device has none."""
        return next((at for number, at, _ in self.models if number == model), None)


class _RefusedError(Exception):
    """The device refused a question; the text says why."""


async def discover(host: str, port: int, unit: int) -> Found:
    """Walk through the models of a device.

    Raises
    ------
    SourceError
        If it cannot be reached, does not answer, or does not follow SunSpec.
    """
    try:
        link = TcpLink(host, port, Refusals())
        async with opened(link, Refusals()):
            for function in FUNCTIONS:
                found = await _walk(_asking(link, unit, function), function)
                if found is not None:
                    return found
    except SourceError as error:
        raise SourceError(f"{host}:{port}, unit {unit}: {error}") from None
    places = ", ".join(map(str, PLACES))
    raise SourceError(
        f"{host}:{port}, unit {unit}: no 'SunS' at register {places}: the device does not follow "
        f"SunSpec, or it has another unit number (unit in [source.decoder]). Without SunSpec use "
        f'kind = "modbus" there'
    )


def _asking(link: TcpLink, unit: int, function: int) -> Ask:
    async def ask(at: int, count: int) -> tuple[int, ...]:
        await link.send(request(unit, Block(function, at, count, ())))
        chunk = await link.receive(asyncio.get_running_loop().time() + ANSWER_S)
        if chunk is None:
            raise SourceError(f"no answer within {ANSWER_S:g} s")
        frame = chunk[1][:-2]
        if frame[0] == unit and frame[1] == function | 0x80 and len(frame) == 3:
            raise _RefusedError(EXCEPTIONS.get(frame[2], f"code {frame[2]}"))
        if frame[:3] != bytes((unit, function, 2 * count)) or len(frame) != 3 + 2 * count:
            raise SourceError("the answer does not fit the question")
        return struct.unpack(f">{count}H", frame[3:])

    return ask


async def _walk(ask: Ask, function: int) -> Found | None:
    """Return what a device holds; None where there is no ``SunS``."""
    for base in PLACES:
        try:
            if await ask(base, 2) == _MARK:
                break
        except _RefusedError:
            continue
    else:
        return None
    found = Found(function, base)
    try:
        at = base + 2
        while len(found.models) < MOST_MODELS and at < 0xFFFE:
            model, length = await ask(at, 2)
            if model == _END:
                break
            found.models.append((model, at, length))
            await _look_into(ask, found, model, at, length)
            at += 2 + length
    except _RefusedError as error:
        last = f"model {found.models[-1][0]}" if found.models else "'SunS'"
        raise SourceError(f"{error}, where register {at} was asked for after {last}") from None
    return found


async def _look_into(ask: Ask, found: Found, model: int, at: int, length: int) -> None:
    if model == 1 and length >= 32:
        found.maker = " ".join(filter(None, map(_text, _halves(await ask(at + 2, 32), 16))))
    elif model == 701 and length + 2 >= STATE_PART and not found.states:
        words = await ask(at, STATE_PART)
        found.states = {
            "InvSt": state_word(words[4], INVERTER_STATES),
            "St": state_word(words[3], STATES),
        }
    elif model == 714 and length + 2 >= DC_HEAD + DC_PORT and not found.ports:
        count = (await ask(at, DC_HEAD))[4]
        fits = (length + 2 - DC_HEAD) // DC_PORT
        number = min(count, fits, MOST_PORTS)
        words = await ask(at, DC_HEAD + DC_PORT * number)
        for port in range(1, number + 1):
            first = DC_HEAD + DC_PORT * (port - 1)
            kind = words[first]
            found.ports.append(
                Port(
                    port,
                    PORT_KINDS[kind] if kind < len(PORT_KINDS) else "kind not told",
                    _text(words[first + 2 : first + 10]),
                    {name: point(words, port, what) for name, what in POINTS.items()},
                )
            )


def _halves(words: tuple[int, ...], each: int) -> list[tuple[int, ...]]:
    return [words[k : k + each] for k in range(0, len(words), each)]


def _text(words: tuple[int, ...]) -> str:
    raw = struct.pack(f">{len(words)}H", *words).split(b"\0")[0].strip()
    return printable(raw, 32)


def told(found: Found) -> list[str]:
    """Return what the device holds, a line each, for a person."""
    models = ", ".join(f"{number} at {at}" for number, at, _ in found.models) or "none"
    lines = [
        f"SunSpec at register {found.base}{f', {found.maker}' if found.maker else ''}",
        f"  models: {models}",
    ]
    for port in found.ports:
        values = ", ".join(
            f"{name} {'not implemented' if value is None else f'{value:g}'}"
            for name, value in port.values.items()
        )
        label = f" '{port.label}'" if port.label else ""
        lines.append(f"  DC port {port.number}{label}, {port.kind}: {values}")
    for name, word in found.states.items():
        lines.append(f"  state {name}: {word or 'not implemented'}")
    return lines


def description(found: Found, unit: int) -> list[str]:
    """Return the lines of a description that reads the device; empty where it has no 714.

    A port with voltage and current is taken: one that injects before others, the first of them.
    """
    usable = [p for p in found.ports if p.values["DCV"] is not None and p.values["DCA"] is not None]
    at = found.at(714)
    if at is None or not usable:
        return []
    port = min(usable, key=lambda p: p.kind != "injecting")
    lines = ["[device]", f"label = {json.dumps(found.maker or 'SunSpec device')}", ""]
    lines += ["[decoder]", 'kind = "sunspec"', f"unit = {unit}"]
    if found.function != FUNCTIONS[0]:
        lines.append(f"function = {found.function}")
    lines += [f"model_714 = {at}", f"dc_port = {port.number}"]
    state = next((name for name, word in found.states.items() if word is not None), None)
    if state is not None:
        lines.append(f"model_701 = {found.at(701)}")
    lines += ["", "[fields]", 'voltage_v = "DCV"', 'current_a = "DCA"']
    if state is not None:
        lines.append(f'state = "{state}"')
    return lines
