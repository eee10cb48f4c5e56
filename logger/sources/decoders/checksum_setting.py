"""The setting ``checksum`` of decoders: a name, or a table with the parameters of a CRC."""

from __future__ import annotations

import difflib
from typing import TYPE_CHECKING

from logger.refusals import shown
from logger.settings import REQUIRED, Section, Setting
from logger.sources.decoders.checksums import CHECKSUMS, Checksum, CrcModel

if TYPE_CHECKING:
    from logger.sources.decoding import Place

_MOST = 2**64 - 1
CRC = Section(
    "checksum",
    (
        Setting("width", "whole", REQUIRED, "bits of the checksum", "", 8, 64),
        Setting(
            "poly",
            "whole",
            REQUIRED,
            "the polynomial without its highest bit, not reflected, such as 0x1021",
            "",
            1,
            _MOST,
        ),
        Setting("init", "whole", 0, "what stands in the register at the start", "", 0, _MOST),
        Setting("reflect_in", "flag", False, "the lowest bit of each byte comes first"),
        Setting(
            "reflect_out",
            "flag",
            None,
            "the bits of the result are reversed; as reflect_in if left out",
        ),
        Setting("xor_out", "whole", 0, "exclusive or with the result at the end", "", 0, _MOST),
    ),
    "the parameters of a CRC that has no name here, by R. Williams (1993), "
    "'A painless guide to CRC error detection algorithms'",
)
EXAMPLE = (
    "{ width = 16, poly = 0x3D65, init = 0x0000, reflect_in = false, reflect_out = false, "
    "xor_out = 0xFFFF }"
)
#: A name is taken for a misspelt one of the list from this likeness on: the names of CRCs share
#: their first half (our choice).
_LIKE = 0.85


def parse_checksum(value: object, place: Place) -> Checksum:
    """Return a checksum as checked.

    Parameters
    ----------
    value
        What the file says.
    place
        Where the decoder's table stands.

    Raises
    ------
    ConfigError
        For an unknown name or a parameter that cannot be; it says what is accepted.
    """
    if isinstance(value, dict):
        place = place.under("checksum")
        given = place.checked(CRC, value)
        for key in ("poly", "init", "xor_out"):
            if given[key] >> given["width"]:
                raise place.error(
                    f"got {given[key]:#X}; accepted: at most width = {given['width']} bits", key
                )
        return CrcModel(
            given["width"],
            given["poly"],
            given["init"],
            given["reflect_in"],
            given["xor_out"],
            given["reflect_out"],
        )
    name = str(value)
    if name in CHECKSUMS:
        return name
    by_upper = {known.upper(): known for known in CHECKSUMS}
    like = difflib.get_close_matches(name.upper()[:80], by_upper, n=1, cutoff=_LIKE)
    hint = f" (did you mean {by_upper[like[0]]}?)" if like else ""
    raise place.error(
        f"got {shown(name)}{hint}; accepted: one of {', '.join(CHECKSUMS)}; any other CRC by its "
        f"parameters, such as checksum = {EXAMPLE}",
        "checksum",
    )
