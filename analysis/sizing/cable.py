"""Cable between a charger and the battery: the least cross-section within a voltage drop."""

from __future__ import annotations

from dataclasses import dataclass

from analysis.physics import IEC_60228_FLEXIBLE, NOMINAL_V, conductor_ohm
from logger.sections import AWG_MM2

#: Temperature of the copper, degC: a warm engine space (common practice, no source).
COPPER_C = 50.0

#: Sizes of AWG that are sold as boat cable, thinnest first (common practice, no source).
_SOLD = ("18", "16", "14", "12", "10", "8", "6", "4", "2", "1", "0", "2/0", "3/0", "4/0")


@dataclass(frozen=True, slots=True)
class Cable:
    """A cable within the greatest drop."""

    cross_section_mm2: float
    current_a: float
    drop_v: float
    drop: float
    """As a part of nominal voltage."""
    length_m: float
    """One way."""
    awg: str | None = None
    """The AWG size that was chosen instead of a metric one."""


def choose(
    rated_w: float, blocks: int, length_m: float, drop: float, *, awg: bool = False
) -> Cable | None:
    """Return the least cross-section within a drop; None where none is.

    Parameters
    ----------
    rated_w
        Output of the charger, W, at nominal voltage.
    blocks
        Nominal 12 V blocks in series.
    length_m
        Length of the cable one way, m: the current flows there and back.
    drop
        Greatest drop, as a part of nominal voltage.
    awg
        Choose among the sizes of AWG (resistance of the copper, ASTM B258, stranded) instead of
        those of IEC 60228. An AWG size is never the nearest to a metric one: it might be thinner.
    """
    volts = NOMINAL_V * blocks
    current = rated_w / volts
    sizes = {AWG_MM2[name]: name for name in _SOLD} if awg else dict.fromkeys(IEC_60228_FLEXIBLE)
    for size in sorted(sizes):
        ohm = conductor_ohm(size, 2.0 * length_m, tinned=True, copper_c=COPPER_C)
        lost = current * ohm
        if lost <= drop * volts:
            return Cable(size, current, lost, lost / volts, length_m, sizes[size])
    return None


@dataclass(frozen=True, slots=True)
class CableAdvice:
    """The cable for the recommended unit, or why there is none."""

    cable: Cable | None
    why: str | None
    drop: float
    """Greatest drop asked for, as a part of nominal voltage."""

    def words(self) -> str:
        """Return it as a sentence. The maker's manual decides the fuse, so none is named here."""
        if self.cable is None:
            return f"Cable: {self.why}."
        c = self.cable
        size, standard = f"{c.cross_section_mm2:g} mm2", "IEC 60228"
        if c.awg is not None:
            size, standard = f"AWG {'1/0' if c.awg == '0' else c.awg}", "ASTM B258"
        return (
            f"Cable: {size} tinned, {c.length_m:g} m one way: "
            f"{c.current_a:.1f} A lose {c.drop_v:.2f} V, {100 * c.drop:.1f} % ({standard})."
        )

    def document(self) -> dict[str, object]:
        """Return the figures under their published keys."""
        c = self.cable
        return {
            "cross_section_mm2": None if c is None else c.cross_section_mm2,
            "length_m": None if c is None else c.length_m,
            "current_a": None if c is None else round(c.current_a, 3),
            "awg": None if c is None else c.awg,
            "drop_v": None if c is None else round(c.drop_v, 4),
            "drop": None if c is None else round(c.drop, 5),
            "copper_c": COPPER_C,
            "most_drop": self.drop,
            "fuse": "by the maker's manual",
            "withheld": self.why,
        }


def advise(
    rated_w: float | None, blocks: int, length_m: float | None, drop: float, *, awg: bool = False
) -> CableAdvice:
    """Return the cable for a unit; see :func:`choose`."""
    if rated_w is None:
        return CableAdvice(None, "no unit is recommended", drop)
    if length_m is None:
        return CableAdvice(None, "give its length with --length M", drop)
    cable = choose(rated_w, blocks, length_m, drop, awg=awg)
    why = None
    if cable is None:
        largest = f"AWG {_SOLD[-1]}"
        if not awg:
            largest = f"{max(IEC_60228_FLEXIBLE):g} mm2"
        why = f"no cross-section up to {largest} keeps the drop within {100 * drop:.0f} %"
    return CableAdvice(cable, why, drop)
