"""Samples of one setup from several recordings, put together as one.

The random parts fall with the number of all shots. The shared part of a rig is common to all
its recordings and counts once, however many they are; those of different rigs have nothing in
common and count each in full, for its part of the shots.
"""

from collections.abc import Sequence

import numpy as np

from chrono.measuring.budget import Contribution, combined_uncertainty
from chrono.measuring.statistics import Sample, shared_parts


def pooled_sample(samples: Sequence[Sample], rigs: Sequence[int]) -> Sample:
    """
    Return samples of one setup as one.

    Parameters
    ----------
    samples : sequence of Sample
        At least one.
    rigs : sequence of int
        Which rig measured each.

    Returns
    -------
    Sample
        Its shots are numbered anew from 1, in the order of the samples. Where shots of rig r
        are the part w_r of all, and have the shared part u_r on average, the shared part of
        their mean is √Σ(w_r·u_r)² (JCGM 100:2008, eq. 10: the mean's sensitivity to the
        errors of rig r is w_r).
    """
    if len(samples) == 1:
        return samples[0]
    speed, random = (
        np.concatenate([getattr(sample, name) for sample in samples])
        for name in ("speed_mps", "u_random_mps")
    )
    shared = [part for rig in dict.fromkeys(rigs) for part in _of_rig(samples, rigs, rig)]
    u_shared = np.full(len(speed), combined_uncertainty(shared))
    number = np.arange(1, len(speed) + 1)
    return Sample(number, speed, random, u_shared, shared=tuple(shared))


def _of_rig(samples: Sequence[Sample], rigs: Sequence[int], rig: int) -> list[Contribution]:
    """Return what a rig contributes to the shared part of the mean of all shots."""
    own = [sample for sample, its in zip(samples, rigs, strict=True) if its == rig]
    u_shared = np.concatenate([sample.u_shared_mps for sample in own])
    part = len(u_shared) / sum(len(sample.number) for sample in samples)
    return shared_parts(own[0].shared, part * float(u_shared.mean()))
