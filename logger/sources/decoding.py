"""The interface of a decoder: bytes in, messages and used length out; it keeps no state.

Because a decoder keeps no state, partial, joined and disturbed input take the same path: what is
not used stays in the caller's buffer and is offered again with whatever arrives next.
"""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import TYPE_CHECKING, Any, Protocol

from logger.settings import check_section

if TYPE_CHECKING:
    from collections.abc import Hashable, Iterator, Mapping

    from logger.errors import ConfigError
    from logger.settings import Document, Section

#: A value as the device gave it: a word or number in text, or a number from a binary field. None
#: is a value that the device marks as not known.
Value = str | int | float | None


def can_write(text: str, encoding: str) -> bool:
    """Tell whether a device that writes in this encoding, a codec of Python, can send the text."""
    try:
        text.encode(encoding)
    except UnicodeEncodeError:
        return False
    return True


@dataclass(frozen=True, slots=True)
class Request:
    """A question to the device, and the meaning of its answer.

    Parameters
    ----------
    payload
        The bytes that are sent, exactly.
    name
        What it is called towards a person.
    columns
        Names of the values in the answer, where these depend on the request.
    parts
        Narrower requests that together ask for the same values, for a device that does not have
        all of what this one asks for; empty where it asks for the least that can be asked.
    """

    payload: bytes
    name: str
    columns: tuple[str, ...] | None = None
    parts: tuple[Request, ...] = field(default=(), compare=False)

    def with_parts(self) -> Iterator[Request]:
        """Yield the request and, behind it, all that it can be split into."""
        yield self
        for part in self.parts:
            yield from part.with_parts()


@dataclass(frozen=True, slots=True)
class Context:
    """The context of some bytes.

    Parameters
    ----------
    channel
        Which characteristic of a radio link they came from; empty for a stream.
    asked
        The request that they may answer.
    in_sync
        False where the first bytes may belong to the middle of a message.
    """

    channel: str = ""
    asked: Request | None = None
    in_sync: bool = True


@dataclass(frozen=True, slots=True)
class Message:
    """One decoded message. Without values it is well formed, but of a kind that is not used."""

    raw: bytes
    values: Mapping[str, Value] = field(default_factory=dict)


@dataclass(frozen=True, slots=True)
class Refused:
    """Bytes that did not decode. ``reason`` is counted, ``detail`` is for the person probing.

    ``answer`` is True where the device has answered all the same, such as with an exception, so
    that the next request need not wait. ``not_there`` is True where that answer was that the device
    does not have all of what was asked.
    """

    raw: bytes
    reason: str
    detail: str = ""
    answer: bool = False
    not_there: bool = False


@dataclass(frozen=True, slots=True)
class Step:
    """Result of decoding a buffer: the items found, and the number of bytes used."""

    used: int
    items: tuple[Message | Refused, ...] = ()
    in_sync: bool = True


class Decoder(Protocol):
    """Turns bytes into messages.

    Attributes
    ----------
    packets
        True if each packet of the transport is one message, so that packets are never joined.
    requests
        What the decoder itself needs to ask (registers); empty for most.
    longest
        No message is longer, in bytes; a caller may drop what waits beyond it.
    """

    packets: bool
    requests: tuple[Request, ...]
    longest: int

    def decode(self, data: bytes, context: Context) -> Step:
        """Decode as many messages as ``data`` holds; never raises, whatever the bytes are."""
        ...

    def names(self) -> frozenset[str] | None:
        """Return the names that messages may carry, or None where the device decides them."""
        ...

    def answer_form(self, request: Request) -> Hashable | None:
        """Return the form that all answers to a question share; other answers differ from it.

        Two questions of the same form could be given each other's answers. None: an answer names
        its values itself, so that none can get a wrong name.
        """
        ...


@dataclass(frozen=True, slots=True)
class Place:
    """The place of a table in a file, for errors that name file, line and key."""

    document: Document
    prefix: tuple[str, ...] = ()

    def under(self, *keys: str) -> Place:
        """Return the place of a table inside this one."""
        return Place(self.document, (*self.prefix, *keys))

    def error(self, message: str, *keys: str) -> ConfigError:
        """Build an error about a key of this table."""
        return self.document.error(message, *self.prefix, *keys)

    def checked(self, section: Section, table: Mapping[str, Any] | None) -> dict[str, Any]:
        """Check the table that stands here against its section."""
        return check_section(self.document, section, table, *self.prefix)
