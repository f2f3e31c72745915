"""Filter names to wavelength and band."""

from __future__ import annotations

import re
from typing import NamedTuple


class Passband(NamedTuple):
    """Mean wavelength and edges of a filter with a detector [nm], and whose filter it is."""

    wavelength_nm: float
    low_nm: float
    high_nm: float
    name: str


# Bessell (2005), ARA&A 43, 293, table 1 (effective wavelength, width at half maximum): UBVRI.
# SDSS: Fukugita et al. (1996), AJ 111, 1748, table 2a. Gaia: Jordi et al. (2010), A&A 523, A48.
# [from memory, verify] The edges of L, R, G, B, clear and line filters are common practice.
_NAMED: dict[str, Passband] = {
    "U": Passband(366, 333, 398, "Johnson U"),
    "B": Passband(436, 389, 483, "Johnson B"),
    "V": Passband(545, 503, 587, "Johnson V"),
    "R": Passband(641, 562, 720, "Cousins R"),
    "I": Passband(798, 724, 873, "Cousins I"),
    "u'": Passband(356, 326, 386, "SDSS u"),
    "g'": Passband(483, 414, 552, "SDSS g"),
    "r'": Passband(626, 558, 695, "SDSS r"),
    "i'": Passband(767, 691, 844, "SDSS i"),
    "z'": Passband(910, 840, 980, "SDSS z"),
    "gaia g": Passband(640, 430, 860, "Gaia G"),
    "gaia bp": Passband(530, 400, 660, "Gaia BP"),
    "gaia rp": Passband(780, 640, 900, "Gaia RP"),
    "clear": Passband(600, 420, 850, "no filter, silicon detector"),
    "luminance": Passband(550, 400, 700, "luminance"),
    "red": Passband(650, 590, 700, "colour-imaging red"),
    "green": Passband(530, 490, 580, "colour-imaging green"),
    "blue": Passband(460, 400, 510, "colour-imaging blue"),
    "h-alpha": Passband(656.3, 653, 660, "H-alpha"),
    "h-beta": Passband(486.1, 483, 490, "H-beta"),
    "oiii": Passband(500.7, 497, 504, "[O III]"),
    "sii": Passband(672.4, 669, 676, "[S II]"),
    "ir pass": Passband(830, 700, 950, "infrared long-pass"),
    "J": Passband(1235, 1150, 1320, "J"),
    "H": Passband(1650, 1500, 1800, "H"),
    "K": Passband(2160, 2000, 2320, "K"),
}
_WORDS: tuple[tuple[str, str], ...] = (
    (r"^(clear|none|open|empty|air|no ?filter|n/?a|clr|c|blank|nofilt)$", "clear"),
    (r"^(l|lum|luminance|uv[ /-]?ir ?cut|ir ?cut)$", "luminance"),
    (r"^(h[ _-]?a(lpha)?|ha.*)$", "h-alpha"),
    (r"^(h[ _-]?b(eta)?)$", "h-beta"),
    (r"^\[?o[ _-]?(iii|3)\]?.*$", "oiii"),
    (r"^\[?s[ _-]?(ii|2)\]?.*$", "sii"),
    (r"^red$", "red"),
    (r"^green$", "green"),
    (r"^blue$", "blue"),
    (r"^(ir|ir ?pass|ir[67]\d\d|ir ?[67]\d\d)$", "ir pass"),
    (r"^gaia[ _-]?g$|^gaia$", "gaia g"),
    (r"^gaia[ _-]?bp$", "gaia bp"),
    (r"^gaia[ _-]?rp$", "gaia rp"),
)
_SYSTEMS = r"(?:johnson|bessell?|cousins|kron|kc|jc|uc|astrodon|baader|landolt|std|photometric)"


def read_passband(name: str) -> Passband | None:
    """Return the pass band of a filter as written in a header, None where the name says nothing.

    Notes
    -----
    Single capitals are taken as Johnson-Cousins, small letters and those with a prime, ``p`` or
    SDSS beside them as SDSS. A wavelength in the name (``656nm``, ``F550M/10``) is used as such
    only when written with nm.

    Examples
    --------
    >>> read_passband("Bessell V").wavelength_nm
    545
    """
    text = " ".join(name.split())
    lower = text.lower().strip("'\" ")
    nanometres = re.search(r"(\d{3,4}) ?nm\b(?:.*?(\d{1,3}) ?nm)?", lower)
    if nanometres:
        centre = float(nanometres.group(1))
        width = float(nanometres.group(2) or 10)
        if 300 <= centre <= 2500:  # noqa: PLR2004
            return Passband(centre, centre - width / 2, centre + width / 2, f"{centre:.0f} nm")
    sdss = re.fullmatch(r"(?:sdss|sloan|ps1|pan-?starrs)[ _'-]*([ugriz])[ _']*p?", lower)
    if sdss or re.fullmatch(r"[ugriz]('|p|_?sdss|_?sloan|2)", text.lower()):
        return _NAMED[(sdss.group(1) if sdss else text[0].lower()) + "'"]
    if re.fullmatch(r"[ugriz]", text):
        return _NAMED[f"{text}'"]
    for pattern, key in _WORDS:
        if re.match(pattern, lower):
            return _NAMED[key]
    system = re.fullmatch(rf"{_SYSTEMS}[ _-]*([ubvri])c?|([ubvri])[ _-]*{_SYSTEMS}", lower)
    if system:
        return _NAMED[(system.group(1) or system.group(2)).upper()]
    single = re.fullmatch(r"([UBVRIJHK])(?:[cjCJsS])?", text)
    return _NAMED[single.group(1)] if single else None
