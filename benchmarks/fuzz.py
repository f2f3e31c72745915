"""Coverage-guided fuzzing of what strangers may hand in: FITS headers, whole files, setup files.

Needs atheris, which is no dependency: ``pip install atheris``. One target at a time, on one core:

    python benchmarks/fuzz.py headers --seconds 300
    python benchmarks/fuzz.py files --seconds 300
    python benchmarks/fuzz.py setup --seconds 300

Anything but a `BlursplitError` (or a sequence, or a setup) is a find: the program stops, prints
the traceback and leaves the input as ``crash-...`` in the working folder. The last lines state the
number of cases. Finds become tests in tests/faults and tests/frames.
"""

from __future__ import annotations

import argparse
import contextlib
import io
import sys
import tempfile
import warnings
from pathlib import Path

import atheris

with atheris.instrument_imports(include=["blursplit.frames", "blursplit.rig"]):
    from blursplit.errors import BlursplitError
    from blursplit.frames import open_frames
    from blursplit.rig import Rig


BLOCK = 2880
DATA = bytes((i + 3 * (i // 128)) % 256 for i in range(6144))  # 12 different frames of 16 x 16

KEYS = (
    "SIMPLE", "XTENSION", "BITPIX", "NAXIS", "NAXIS1", "NAXIS2", "NAXIS3", "NAXIS4", "PCOUNT",
    "GCOUNT", "GROUPS", "EXTEND", "BSCALE", "BZERO", "BLANK", "ZIMAGE", "ZBITPIX", "ZNAXIS",
    "ZNAXIS1", "ZNAXIS2", "ZNAXIS3", "ZTILE1", "ZTILE2", "ZCMPTYPE", "TFIELDS", "TFORM1", "TTYPE1",
    "TUNIT1", "EXTNAME", "DATE-OBS", "DATE-BEG", "DATE-AVG", "DATE-END", "UT-OBS", "UTCSTART",
    "TIME-OBS", "MJD-OBS", "MJD-AVG", "JD", "TIMESYS", "DATEREF", "TIMEPIXR", "EXPTIME", "FPS",
    "KCT", "XPIXSZ", "FOCALLEN", "XBINNING", "APTDIA", "GAIN", "EGAIN", "FILTER", "OBJECT", "RA",
    "DEC", "OBJCTRA", "OBJCTDEC", "SITELAT", "SITELONG", "AIRMASS", "ALTITUDE", "BAYERPAT",
    "XBAYROFF", "ROWORDER", "IMAGETYP", "PIERSIDE", "CTYPE1", "CTYPE2", "CTYPE3", "CD1_1",
    "CDELT1", "CDELT3", "CUNIT3", "CRVAL1", "CROTA2", "SECPIX", "HIERARCH", "CONTINUE", "END",
)  # fmt: skip
VALUES = (
    "T", "F", "16", "-32", "-64", "8", "0", "-1", "3", "1000000000000", "1E400", "-1D-300", "NaN",
    "'2026-03-01T22:10:05.123'", "'31/12/99'", "'2016-12-31T23:59:60'", "'22 10 05.5'", "60000.5",
    "'05 35 17.3'", "'-05:23:28'", "'RA---TAN'", "'TIME    '", "'GPS'", "'RGGB'", "'IMAGE   '",
    "'BINTABLE'", "'1D      '", "'RICE_1  '", "''", "'", "/ no value",
)  # fmt: skip


STRUCTURE = (
    "SIMPLE  = T",
    "BITPIX  = 16",
    "NAXIS   = 3",
    "NAXIS1  = 16",
    "NAXIS2  = 16",
    "NAXIS3  = 12",
)


def headers() -> list[bytes]:
    """Return cards of several makes to start from, one a line."""
    kinds = [
        "FPS     = 50.0\nEXPTIME = 0.01\nBZERO   = 32768\nBLANK   = -7",
        "DATE-BEG= '2026-03-01T22:10:05.5'\nDATE-END= '2026-03-01T22:10:07'",
        "CTYPE3  = 'TIME'\nCDELT3  = 0.02\nCUNIT3  = 's'\nTIMESYS = 'GPS'",
        "KCT     = 0.02 / ms\nBAYERPAT= 'RGGB'\nGAIN    = 120\nRA      = 83.8\nDEC     = -5",
        "FPS     = 9\nCTYPE1  = 'RA---TAN'\nCTYPE2  = 'DEC--TAN'\nCD1_1   = -2E-4\nCD2_2   = 2E-4",
        "FPS     = 9\nSITELAT = '51 28 40'\nSITELONG= 0\nMJD-OBS = 60000.5\nOBJCTRA = '05 35 17'",
    ]
    whole = "\n".join([*STRUCTURE, "XTENSION= 'BINTABLE'", "FPS     = 9"])
    return [b"k" + kind.encode() for kind in kinds] + [b"w" + whole.encode()]


def files() -> list[bytes]:
    """Return whole files to start from: a table of times, images in a table, packed tiles."""
    import numpy as np
    from astropy.io import fits

    frames = np.frombuffer(DATA, dtype=">i2")[: 12 * 64].reshape(12, 8, 8).astype(np.int16) & 0x7FFF
    cards = fits.Header([("FPS", 50.0), ("EXPTIME", 0.01), ("DATE-BEG", "2026-03-01T22:10:05")])
    time = fits.Column("TIME", "D", array=np.arange(12) * 0.02, unit="s")
    images = fits.Column("FLUX", "64E", dim="(8,8)", array=frames.astype(np.float32))
    units = [
        [fits.PrimaryHDU(frames, cards), fits.BinTableHDU.from_columns([time])],
        [fits.PrimaryHDU(), fits.BinTableHDU.from_columns([time, images])],
    ]
    for kind in ("RICE_1", "GZIP_2", "PLIO_1", "HCOMPRESS_1"):
        tile = (1, 8, 8) if kind == "HCOMPRESS_1" else None
        packed = fits.CompImageHDU(frames, cards, compression_type=kind, tile_shape=tile)
        units.append([fits.PrimaryHDU(), packed])
    contents = []
    for one in units:
        file = io.BytesIO()
        fits.HDUList(one).writeto(file)
        contents.append(file.getvalue())
    return contents


def setups() -> list[bytes]:
    """Return setup files to start from."""
    return [
        b"[telescope]\naperture_m = 0.25\nobstruction = 0.3\n[camera]\npixel_um = 3.76\n",
        b'[mount]\nkind = "altazimuth"\nworm_period_s = [480.0]\n[air]\nband_nm = [500, 600]\n',
        b'[[known_lines]]\nname = "fan"\nfrequency_hz = 49.5\n[pier]\nsections = [{a = 1}]\n',
        b"[site]\nlatitude_deg = 51.5\n[mask]\nopening_m = 0.06\n",
    ]


def fuzz_headers(folder: Path, data: bytes) -> None:
    """Open a cube of 12 small frames under a header of any cards, and read from it.

    An odd first byte keeps the structure of the cube, so that what follows is reached; with an
    even one the structure is fuzzed too, and the cards are cut where the lines end or anywhere.
    """
    path = folder / "fuzz.fits"
    lines = data[1:].split(b"\n")
    if data[:1] and data[0] % 2:
        lines = [line.encode() for line in STRUCTURE] + lines
    # Values stand in columns 11 to 30, numbers right-justified or not: the reader takes both.
    head = b"".join(line.ljust(-(-max(len(line), 1) // 80) * 80) for line in lines)
    head += b"END".ljust(80)
    path.write_bytes(head.ljust(-(-len(head) // BLOCK) * BLOCK) + DATA.ljust(3 * BLOCK, b"\0"))
    with contextlib.suppress(BlursplitError):
        sequence = open_frames([path])
        sequence.source.read(0, 2)
        sequence.source.close()


def fuzz_files(folder: Path, data: bytes) -> None:
    """Open a file of any bytes, padded to whole blocks, and read from it."""
    path = folder / "fuzz.fits"
    path.write_bytes(data.ljust(-(-len(data) // BLOCK) * BLOCK, b"\0"))
    with contextlib.suppress(BlursplitError):
        sequence = open_frames([path])
        try:
            sequence.source.read(0, 2)
        finally:
            sequence.source.close()


def fuzz_setup(folder: Path, data: bytes) -> None:
    """Read a setup file of any bytes, and its first line as an option too."""
    path = folder / "fuzz.toml"
    path.write_bytes(data)
    with contextlib.suppress(BlursplitError):
        Rig.read(path).with_header({})
    with contextlib.suppress(BlursplitError):
        Rig.read(None, [data.partition(b"\n")[0].decode("latin-1")])


# target -> (inputs to start from, what is done with one, longest input in bytes)
TARGETS = {
    "headers": (headers, fuzz_headers, 4000),
    "files": (files, fuzz_files, 24_000),
    "setup": (setups, fuzz_setup, 4000),
}


def main() -> None:
    """Fuzz the chosen target for the given time."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("target", choices=list(TARGETS))
    parser.add_argument("--seconds", type=int, default=300)
    parser.add_argument("--seed", type=int, default=1)
    chosen = parser.parse_args()
    warnings.simplefilter("error")  # a warning of our own code is a find too
    with tempfile.TemporaryDirectory() as scratch:
        folder, corpus, words = Path(scratch), Path(scratch) / "corpus", Path(scratch) / "words"
        corpus.mkdir()
        seeds, run, longest = TARGETS[chosen.target]
        for number, seed in enumerate(seeds()):
            (corpus / str(number)).write_bytes(seed)
        tables = (
            "[telescope]",
            "[camera]",
            "[[known_lines]]",
            "aperture_m = ",
            "nan",
            "[1]",
        )
        keys = [f"{key:<8}= " for key in KEYS] + list(VALUES)
        keys = list(tables) if chosen.target == "setup" else keys
        words.write_text("".join(f'"{word}"\n' for word in keys), encoding="ascii")
        options = [
            f"-max_total_time={chosen.seconds}",
            f"-seed={chosen.seed}",
            f"-dict={words}",
            f"-max_len={longest}",
            "-print_final_stats=1",
            str(corpus),
        ]
        atheris.Setup([sys.argv[0], *options], lambda data: run(folder, data))
        atheris.Fuzz()


if __name__ == "__main__":
    main()
