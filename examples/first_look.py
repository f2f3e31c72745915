# %% [markdown]
# # An owner's first look
#
# Two nights at one site. On both, a long exposure shows round stars well over 2 arcsec wide. Is
# it the same trouble? The frames here are simulated, so that you can run this without a telescope:
# the nights of `blursplit demo`, cut to 10 s (over the whole 22 s the two widths agree within 3
# percent). Put your own folder in place of them.

# %%
import tempfile
from pathlib import Path

import matplotlib.pyplot as plt

from blursplit.frames import open_frames
from blursplit.frames.inspection import Inspection
from blursplit.measure import measure
from blursplit.report import figures
from blursplit.simulate import Scene, write_sequence

plt.rcParams["figure.dpi"] = 55
work = Path(tempfile.mkdtemp())
for name, scene in (("first", Scene.demo("turbulent")), ("second", Scene.demo("shaken"))):
    short = scene.sequence.model_copy(update={"frames": 400})
    write_sequence(scene.model_copy(update={"sequence": short}), work / name)

# %% [markdown]
# ## What is in the files?
#
# `Inspection` reads headers and times, and says what these frames will bear. Nothing is
# measured yet.

# %%
rig = work / "second" / "setup.toml"
sequence = open_frames(work / "second", rig)
found = Inspection.of(sequence)
sequence.source.close()
print(f"{found.frames} frames, {1 / found.timing.cadence_s:.0f} a second, {found.duration_s:.0f} s")
for text in (*found.can, *found.cannot, *found.advice):
    print("-", text)

# %% [markdown]
# ## Measure both nights

# %%
nights = {name: measure(work / name, rig) for name in ("first", "second")}
for name, night in nights.items():
    print(f"{name}: {night.result.verdict.headline}")

# %% [markdown]
# A measurement shows itself as a short report:

# %%
nights["second"]

# %% [markdown]
# Seen beside each other, as recorded and with the structure's motion taken out, which is inferred
# (same scale, white line at half maximum; faint stripes come from the computation):

# %%
figure, axes = plt.subplots(1, 4, figsize=(10, 2.8))
for i, (name, night) in enumerate(nights.items()):
    for k, image in enumerate(("recorded", "without_structure")):
        ax = axes[2 * i + k]
        figures.draw_star(
            night.series.images[image],
            ax,
            pixel_scale_arcsec=night.series.image_scale_arcsec,
            half_size=4.0,
        )
        ax.set_title(f"{name}: {image.replace('_', ' ')}", fontsize=9)

# %% [markdown]
# ## Why should I believe it?
#
# Air makes no lines. The shared motion of the second night has two peaks that stand far above its
# continuum; what the stars do differently has none.

# %%
figure, axes = plt.subplots(1, 2, figsize=(10, 3.4), sharey=True)
for ax, (name, night) in zip(axes, nights.items(), strict=True):
    night.plot.spectrum(ax)
    ax.set_title(name)

# %% [markdown]
# And what two stars do differently cannot be vibration. On the first night the pairs part by
# several times as much:

# %%
figure, axes = plt.subplots(1, 2, figsize=(10, 3.4), sharey=True)
for ax, (name, night) in zip(axes, nights.items(), strict=True):
    night.plot.pairs(ax)
    ax.set_title(name)

# %% [markdown]
# ## Numbers with units
#
# Every estimate comes with its 68 % interval. An upper limit has no value, only a high end.

# %%
table = nights["second"].budget
for name in table.colnames[2:]:
    table[name].info.format = ".2f"
table["cure", "matters", "saving", "saving_low", "saving_high", "share"]

# %%
lines = nights["second"].lines
for name in ("frequency", "frequency_low", "frequency_high", "rms"):
    lines[name].info.format = ".3f"
lines["frequency", "frequency_low", "frequency_high", "rms", "kind"]

# %% [markdown]
# ## What next?

# %%
for step in nights["second"].result.verdict.next:
    print("-", step.text)
