"""What can go wrong, as a tree, and words of others made safe to show.

BlursplitError
├── InputError          a file, keyword or option that cannot be used (exit code 2)
│   ├── TimingError     times that are missing or contradict each other
│   ├── TooFewFramesError
│   └── TooFewStarsError
└── OutputError         an output folder that cannot be written (exit code 2)
"""

from __future__ import annotations

from pathlib import Path

from blursplit import constants as const


class BlursplitError(Exception):
    """Any failure that the user can act on.

    Examples
    --------
    >>> from pathlib import Path
    >>> from blursplit.errors import BlursplitError
    >>> from blursplit.folder import read_result
    >>> try:
    ...     read_result(Path("no-such-folder"))
    ... except BlursplitError as error:
    ...     print(error)
    no-such-folder: is not a result folder; name a folder that `blursplit measure` wrote
    """


class InputError(BlursplitError):
    """Input that cannot be used; names the file, what is wrong with it and the remedy.

    Parameters
    ----------
    source : str or Path
        File, folder, keyword or option at fault.
    problem : str
        What is wrong, lower case, values quoted.
    remedy : str
        What the user can do about it.

    Examples
    --------
    >>> from blursplit.errors import InputError
    >>> error = InputError("rig.toml", "key 'aperture' is unknown", "did you mean 'aperture_m'?")
    >>> error.source, error.remedy
    ('rig.toml', "did you mean 'aperture_m'?")
    """

    def __init__(self, source: str | Path, problem: str, remedy: str) -> None:
        self.source = str(source)
        if len(self.source) > const.LONGEST_SOURCE:
            self.source = f"{self.source[: const.LONGEST_SOURCE]}..."
        self.problem = problem
        self.remedy = remedy
        super().__init__(plain(f"{self.source}: {problem}; {remedy}"))


class TimingError(InputError):
    """Times that are missing, contradict each other or run backwards."""


# Why frames were left out -> what became of them, and what helps; the rest is a matter of length.
_LEFT_OUT = {
    "stars out of the frame": (
        "in {} the stars had left the frame",
        "align the mount, or start with the stars on the side that they drift from",
    ),
    "no star found": (
        "in {} no star was found again",
        "look at them for clouds and jumps, or choose brighter stars",
    ),
    "all stars saturated": (
        "in {} all stars are saturated",
        "shorten the exposure or lower the gain",
    ),
}


class TooFewFramesError(InputError):
    """A sequence with fewer frames than any statement needs.

    Parameters
    ----------
    source : str or Path
        The sequence.
    found, needed : int
        Usable frames found and needed.
    dropped : dict, optional
        Reason -> number of frames that were left out.
    """

    def __init__(
        self, source: str | Path, found: int, needed: int, dropped: dict[str, int] | None = None
    ) -> None:
        self.found, self.needed = found, needed
        problem = f"only {found} usable frame{'s' * (found != 1)}, at least {needed} are needed"
        remedy = "record a longer sequence"
        known = {n: reason for reason, n in (dropped or {}).items() if reason in _LEFT_OUT}
        if known and found + sum(known) >= needed:
            words, remedy = _LEFT_OUT[known[max(known)]]
            problem = f"{problem} ({words.format(max(known))})"
        super().__init__(source, problem, remedy)


class TooFewStarsError(InputError):
    """A sequence without a single star that can be followed."""


class OutputError(BlursplitError):
    """An output that cannot be written.

    Parameters
    ----------
    target : str or Path
        Folder or file at fault.
    problem, remedy : str
        What is wrong and what to do.

    Examples
    --------
    >>> from blursplit.errors import OutputError
    >>> print(OutputError("night1-result", "exists already", "add --replace"))
    night1-result: exists already; add --replace
    """

    def __init__(self, target: str | Path, problem: str, remedy: str) -> None:
        self.target = str(target)
        super().__init__(plain(f"{self.target}: {problem}; {remedy}"))


def plain(text: object) -> str:
    """Return a text from outside as one line without control or direction-changing characters.

    Such characters could move the cursor of a terminal or turn a line around, and the halves of
    characters that stand for undecodable bytes of a file name cannot be written as UTF-8 at all;
    each becomes the replacement character, so that their presence still shows.
    """
    return "".join(c if c.isprintable() else " " if c.isspace() else "\ufffd" for c in str(text))
