# %% [markdown]
# # An audit: before and after
#
# A pier was stiffened. Did it help, by how much, and may it be accepted? The runs are simulated
# from `audit/before.toml` and `audit/after.toml` (the pier rings at 9.2 Hz before the work), one
# run a side; a real audit has three or more, taken in turns where that can be done.

# %%
import tempfile
from pathlib import Path

import matplotlib.pyplot as plt

from blursplit import compare
from blursplit.campaign import Acceptance, Limits
from blursplit.measure import measure
from blursplit.simulate import Scene, write_sequence

plt.rcParams["figure.dpi"] = 60
BLUR_TIME_S = 5.0
work = Path(tempfile.mkdtemp())


def run(side, seed):
    """Simulate and measure one run of a side."""
    scene = Scene.read(Path("audit") / f"{side}.toml")
    folder = work / f"{side}-{seed}"
    write_sequence(scene, folder, seed=seed)
    return measure(folder, folder / "setup.toml", blur_time=BLUR_TIME_S)


before = [run("before", seed=11)]
after = [run("after", seed=21)]

# %% [markdown]
# ## Did it help?

# %%
found = compare([r.result for r in before], [r.result for r in after])
print(found.statement)
for line in found.lines:
    print(f"line at {(line.before_hz or line.after_hz).value:.1f} Hz: {line.state}")
for warning in found.warnings:
    print("doubt:", warning.text)

# %% [markdown]
# Each change comes with the smallest one that these data could have shown; "no change" means
# nothing without it.

# %%
for key in ("structure.rms_major_arcsec", "fwhm.recorded_arcsec"):
    change = found.changes[key]
    d = change.difference
    print(
        f"{key}: {d.value:+.2f} ({d.low95:+.2f} to {d.high95:+.2f}) arcsec at 95 %, "
        f"smaller with probability {change.probability_smaller:.2f}; "
        f"smallest change shown {change.smallest_change:.2f} arcsec"
    )

# %%
figure, axes = plt.subplots(1, 2, figsize=(10, 3.4), sharey=True)
for ax, (name, night) in zip(axes, (("before", before[0]), ("after", after[0])), strict=True):
    night.plot.spectrum(ax)
    ax.set_title(name)

# %% [markdown]
# The air was not the same in both weeks. Predicted for one and the same air:

# %%
common = found.common_air
print(f"in a seeing of {common.seeing_500nm_zenith_arcsec:.1f} arcsec on both sides:")
for side, width in (("before", common.before_arcsec), ("after", common.after_arcsec)):
    print(f"  {side}: {width.value:.2f} arcsec ({width.low95:.2f} to {width.high95:.2f} at 95 %)")

# %% [markdown]
# ## May it be accepted?
#
# A limit is passed only when the whole 95 % interval lies inside it. *Not shown* is not a pass.

# %%
limits_file = work / "limits.toml"
limits_file.write_text(
    f"""
title = "Acceptance of the pier"
blur_time_s = {BLUR_TIME_S}

[limits."structure.rms_major_arcsec"]
at_most = 0.2
name = "Shake of pier, mount and tube"

[limits."sequence.stars_used"]
at_least = 4
name = "Stars used"

[[lines]]
no_shared_line_above_arcsec = 0.3
between_hz = [2.0, 30.0]
name = "No resonance"
""",
    encoding="utf-8",
)
limits = Limits.read(limits_file)
for name, night in (("before", before[0]), ("after", after[0])):
    acceptance = Acceptance.of([(night.result, night.series)], limits)
    print(f"{name}: {acceptance.state}")
    for judgement in acceptance.judgements:
        print(f"  {judgement.name}: {judgement.state}")

# %% [markdown]
# From the command line, with a page to sign:
# `blursplit accept after-1 limits.toml --out acceptance.html`.
