"""Make docs/images/demo.png from the folder that `blursplit demo` wrote.

python docs/make_images.py blursplit-demo
"""

from __future__ import annotations

import sys
from pathlib import Path

import numpy as np
from matplotlib.backends.backend_agg import FigureCanvasAgg
from matplotlib.figure import Figure

from blursplit.folder import read_result_folder
from blursplit.report.figures import draw_star
from blursplit.report.palette import CAUSE_NAMES, colour
from blursplit.result import CONTRIBUTIONS

NIGHTS = {"turbulent": "First night", "shaken": "Second night"}
HALF_ARCSEC = 4.5
OWN_WORDS = {
    "atmosphere": "the air",
    "tracking": "tracking",
    "structure": "ringing of the structure",
    "unassigned": "shared motion of open cause",
    "instrument": "the instrument",
    "undecided": "undecided",
}


def main(demo: Path, target: Path) -> None:
    """Draw the two nights side by side: what was recorded, and what it is made of."""
    figure = Figure(figsize=(8.4, 4.9), dpi=110, facecolor="white")
    FigureCanvasAgg(figure)
    grid = figure.add_gridspec(
        2,
        4,
        height_ratios=[4.2, 1.0],
        left=0.03,
        right=0.97,
        top=0.83,
        bottom=0.11,
        wspace=0.06,
        hspace=0.22,
    )
    measured = {night: read_result_folder(demo / night) for night in NIGHTS}
    for column, (night, title) in enumerate(NIGHTS.items()):
        found = measured[night]
        series, fwhm = found.series, found.result.fwhm
        for half, (image, words, estimate) in enumerate(
            (
                ("recorded", "recorded", fwhm.recorded_arcsec),
                ("without_structure", "structure cured", fwhm.without_structure_arcsec),
            )
        ):
            ax = figure.add_subplot(grid[0, 2 * column + half])
            draw_star(
                np.asarray(series.images[image]) / np.nanmax(series.images[image]),
                ax,
                pixel_scale_arcsec=series.image_scale_arcsec,
                half_size=HALF_ARCSEC,
                white=1.0,
            )
            wide = "" if estimate is None else f"\n{estimate.value:.2f} arcsec"
            ax.set_title(words + wide, fontsize=11, fontweight="normal" if half else "bold")
        figure.text(0.03 + 0.477 * column, 0.945, title, fontsize=14, fontweight="bold")
        _shares(figure.add_subplot(grid[1, 2 * column : 2 * column + 2]), found.result.verdict)
    handles = [
        figure.axes[0].plot([], [], "s", ms=9, color=colour(cause), label=CAUSE_NAMES[cause])[0]
        for cause in CONTRIBUTIONS
    ]
    figure.legend(handles=handles, loc="lower center", ncols=5, fontsize=10, frameon=False)
    target.parent.mkdir(exist_ok=True)
    # No program name in the file: the picture must not change with the version of a library.
    figure.savefig(target, metadata={"Software": None})


def _shares(ax, verdict) -> None:
    """Draw the shares of the recorded width as one bar, with the largest named."""
    start = 0.0
    for cause in CONTRIBUTIONS:
        share = verdict.shares.get(cause)
        value = 0.0 if share is None or share.value is None else 100.0 * share.value
        ax.barh([0], [value], left=[start], color=colour(cause), edgecolor="white", height=0.5)
        if value > 9:
            ax.text(
                start + value / 2,
                0,
                f"{value:.0f} %",
                ha="center",
                va="center",
                color="white",
                fontsize=11,
            )
        start += value
    ax.set(xlim=(0, 100), ylim=(-0.3, 0.3), xticks=[], yticks=[])
    ax.set_title(f"mostly {OWN_WORDS[verdict.dominant]}", fontsize=12, loc="left", pad=4)
    for spine in ax.spines.values():
        spine.set_visible(False)


if __name__ == "__main__":
    main(Path(sys.argv[1]), Path(__file__).parent / "images" / "demo.png")
