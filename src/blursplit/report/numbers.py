"""How numbers are written: figures that their intervals support, each with its unit."""

from __future__ import annotations

import math
from typing import Any

from blursplit import constants as const
from blursplit.errors import plain
from blursplit.estimate import Estimate

UNKNOWN = "not known"

SUPERSCRIPTS = str.maketrans("-0123456789", "⁻⁰¹²³⁴⁵⁶⁷⁸⁹")

# Suffix of a key -> unit as written for people; longer suffixes first.
_UNITS: tuple[tuple[str, str], ...] = (
    ("_arcsec_per_min", "arcsec/min"),
    ("_e_per_adu", "e⁻/ADU"),
    ("_m_s", "m/s"),
    ("_arcsec", "arcsec"),
    ("_adu", "ADU"),
    ("_deg", "deg"),
    ("_rpm", "rpm"),
    ("_nm", "nm"),
    ("_um", "µm"),
    ("_us", "µs"),
    ("_hz", "Hz"),
    ("_px", "px"),
    ("_c", "°C"),
    ("_e", "e⁻"),
    ("_m", "m"),
    ("_s", "s"),
)


def number(value: float | None, digits: int = 3) -> str:
    """Return a number with so many significant digits, without an exponent where it is readable."""
    if value is None or not math.isfinite(value):
        return UNKNOWN
    if value == 0:
        return "0"
    size = math.floor(math.log10(abs(float(f"{value:.{digits - 1}e}"))))
    if not const.PLAIN_NUMBER_POWERS[0] <= size <= const.PLAIN_NUMBER_POWERS[1]:
        head, power = f"{value:.{digits - 1}e}".split("e")
        return f"{head} × 10{str(int(power)).translate(SUPERSCRIPTS)}".replace("-", "−")
    return f"{value:.{max(digits - 1 - size, 0)}f}".replace("-", "−")


def setting(value: float | None) -> str:
    """Return a number that was set, not measured: up to four digits, no trailing zeros."""
    if value is None:
        return UNKNOWN
    return f"{value:.4g}" if abs(value) < const.SETTING_WITHOUT_EXPONENT else f"{value:.0f}"


def probability(value: float | None) -> str:
    """Return a probability in percent that never claims to be certain: ``> 99 %`` at most."""
    if value is None:
        return UNKNOWN
    if value > const.SUREST_SHOWN:
        return f"> {100 * const.SUREST_SHOWN:.0f} %"
    smallest = 1.0 - const.SUREST_SHOWN
    return f"< {100 * smallest:.0f} %" if value < smallest else f"{100 * value:.0f} %"


def figure(value: float) -> str:
    """Return two figures of a number, no finer than a thousandth."""
    if 0 < abs(value) < 5e-4:  # noqa: PLR2004 - half a thousandth
        return "< 0.001"
    text = number(value, 2)
    return (
        text
        if "×" in text or text == UNKNOWN
        else _fixed(float(text.replace("−", "-")), min(len(text.partition(".")[2]), 3))
    )


def within(value: float, low: float, high: float, *, signed: bool = False) -> tuple[str, str, str]:
    """Return a value and the ends of its interval, in the decimals that the interval warrants.

    Two figures of its length decide; an end that lies at infinity is open.
    """
    span = high - low
    places = max(1 - math.floor(math.log10(span)), 0) if 0 < span < math.inf else 2
    sign = "+" if signed else ""
    texts = [
        f"{v:{sign}.{min(places, 6)}f}".replace("-", "−") if math.isfinite(v) else "open"
        for v in (value, low, high)
    ]
    return texts[0], texts[1], texts[2]


def rounded_up(value: float) -> str:
    """Return two figures of a limit, rounded up: it must hold."""
    if not (0 < value < math.inf):
        return number(value, 2)
    unit = 10.0 ** (math.floor(math.log10(value)) - 1)
    return number(math.ceil(value / unit - 1e-6) * unit, 2)


def _decimals(estimate: Estimate, finest: int) -> int:
    """Return the decimals that the 68 % interval warrants.

    Its half-width keeps two significant digits where they are 10 to 29, else one, so that
    rounding never shifts an end by more than a sixth of the half-width.
    """
    ends = [end for end in (estimate.low, estimate.high) if end is not None]
    centre = estimate.value
    if centre is None or not ends:
        reference = abs(ends[-1]) if ends else abs(centre or 0.0)
        if reference <= 0:
            return 1
        return min(max(1 - math.floor(math.log10(reference)), 0), finest)
    half = max(abs(end - centre) for end in ends)
    if half <= 0:
        half = abs(centre) / 100.0
    if half <= 0:
        return 1
    digits, power = f"{half:.1e}".split("e")
    wanted = 1 if float(digits) < 3 else 0  # noqa: PLR2004 - where two digits become one
    return min(max(wanted - int(power), 0), finest)


def _fixed(value: float, decimals: int) -> str:
    text = f"{value:.{decimals}f}"
    if float(text) == 0:
        text = text.lstrip("-")
    return text.replace("-", "−")


def _with_unit(text: str, unit: str) -> str:
    return f"{text} {unit}" if unit else text


def estimate_cells(
    estimate: Estimate | None, unit: str, scale: float = 1.0, *, finest: int | None = None
) -> dict[str, str]:
    """Return the texts of an estimate: ``value``, ``range68`` and ``range95``, each with its unit.

    `unit`: unit after scaling. `scale`: factor on all numbers, for instance 100 for percent.
    `finest`: most decimals; None where the unit decides.
    """
    cells = {"value": UNKNOWN, "range68": "", "range95": ""}
    if estimate is None:
        return cells
    scaled = estimate.times(scale)
    decimals = _decimals(scaled, const.CAPS_OF_DECIMALS.get(unit, 9) if finest is None else finest)
    if scaled.value is None:
        if scaled.high is None:
            return cells
        # a limit is rounded up: it must hold
        limit = math.ceil(scaled.high * 10**decimals - 1e-9) / 10**decimals
        return cells | {"value": f"< {_with_unit(_fixed(limit, decimals), unit)} at 95 %"}

    def interval(low: float | None, high: float | None) -> str:
        if low is None or high is None:
            return ""
        return _with_unit(f"{_fixed(low, decimals)} to {_fixed(high, decimals)}", unit)

    return {
        "value": _with_unit(_fixed(scaled.value, decimals), unit),
        "range68": interval(scaled.low, scaled.high),
        "range95": interval(scaled.low95, scaled.high95),
    }


def estimate_text(
    estimate: Estimate | None, unit: str, scale: float = 1.0, *, finest: int | None = None
) -> str:
    """Return an estimate in one phrase: ``2.51 arcsec (2.44 to 2.58)`` or ``< 0.1 arcsec at 95 %``.

    The brackets hold the 68 % interval; an estimate without one says so.
    """
    cells = estimate_cells(estimate, unit, scale, finest=finest)
    if estimate is None or estimate.value is None:
        return cells["value"]
    span = cells["range68"]
    if not span:
        return f"{cells['value']} (interval not known)"
    return f"{cells['value']} ({span[: -len(unit)].rstrip() if unit else span})"


def unit_of_key(key: str) -> str:
    """Return the unit that the end of a key tells, or an empty text."""
    return next((unit for suffix, unit in _UNITS if key.endswith(suffix)), "")


def label_of_key(key: str) -> str:
    """Return a key as words without its unit: ``focal_length_m`` gives ``focal length``."""
    if key == "pixel_um":
        return "pixel size"
    suffix = next((suffix for suffix, _ in _UNITS if key.endswith(suffix)), "")
    return plain(key.removesuffix(suffix).replace("_", " "))


def setup_text(key: str, value: Any) -> str:
    """Return a setup value in words with the unit of its key; a pair of numbers is a range."""
    unit = "arcsec/px" if key == "pixel_scale_arcsec" else unit_of_key(key)
    if value is None:
        return UNKNOWN
    if isinstance(value, bool):
        return "yes" if value else "no"
    if isinstance(value, (int, float)):
        return _with_unit(f"{value:.6g}".replace("-", "−"), unit)
    if isinstance(value, (list, tuple)):
        if value and all(isinstance(v, int | float) and not isinstance(v, bool) for v in value):
            is_range = len(value) == 2 and unit and key != "worm_period_s"  # noqa: PLR2004
            joint = " to " if is_range else ", "
            return _with_unit(joint.join(f"{v:.6g}" for v in value), unit)
        return ", ".join(plain(v) for v in value)
    return plain(value)
