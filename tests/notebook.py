"""From a recording to a figure and a comparison, as cells of a notebook.

python tests/notebook.py [RECORDING] [FOLDER]
"""

# %% Read a recording
import sys
from pathlib import Path

import matplotlib

matplotlib.use("Agg")
from matplotlib import pyplot as plt

import chrono

HERE = Path(__file__).parents[1]
source = Path(sys.argv[1]) if len(sys.argv) > 1 else HERE / "recordings/noisy-hall.tsv"
folder = Path(sys.argv[2]) if len(sys.argv) > 2 else Path()
recording = chrono.read(source)
print(recording)

# %% What is in it: a frame of shots, with units
shots = recording.shots
print(shots.attrs["units"]["speed_mps"], shots.speed_mps.describe().round(2).to_dict())
print(recording.summary()[["counted", "mean_mps", "U95_mean_mps"]].round(3))

# %% Shots that need a second look, and the edges that made them
flagged = shots[shots.shot_flags != ""]
edges = recording.edges
print(len(flagged), "shots with a flag")
print(edges.taken_for.value_counts().to_dict())

# %% A leading transit by hand: two edges, one difference
first = edges[edges.shot == shots.index[shots.edges_used == "both"][0]]
leading = first[first.taken_for == "leading edge"].set_index("gate").board_s
print(f"{(leading['B'] - leading['A']) * 1e6:.2f} us")

# %% Which setup is faster?
compared = chrono.compare(recording)
print(compared.headline[0])
print(compared.pairs[["first_setup", "second_setup", "difference_mps", "U95_mps"]].round(2))

# %% A figure: speeds in order, and how they scatter
figure, (left, right) = plt.subplots(1, 2, figsize=(11, 4.5), layout="constrained")
recording.plot(ax=left)
counted = shots[shots.counted]
for setup, own in counted.groupby("setup"):
    right.hist(own.speed_mps, bins=12, alpha=0.6, label=setup)
right.set_xlabel("speed / (m/s)")
right.set_ylabel("counted shots")
right.legend()
figure.savefig(folder / "speeds.png", dpi=120)
print("see", folder / "speeds.png")
