"""How large will the whole be, judged from a sample of its tiles.

The sum over zooms of (number of tiles) × (mean size sampled), with an interval. Four things make it wider than
the textbook's, and honest:

* tile sizes are skewed, so the interval is laid on the logarithm of what is not yet known;
* the spread of a zoom with few samples is drawn towards that of all zooms together;
* sampled pyramids are wet or dry, town or forest, as a whole, so errors of different zooms go together;
* a zoom with no sample, or with one or two, borrows its mean from its neighbours, at a price for each step.

What was sampled completely is known and adds nothing to the width (finite population correction).
"""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from statistics import NormalDist, fmean, variance
from typing import NamedTuple

__all__ = ["SizeInterval", "size_interval"]

# Correlation of the errors of two zooms sampled by the same pyramids. The sizes themselves go together more
# than that, but evenly spread picks leave less error than independent ones, and this sets one off against the
# other.
_TOGETHER = 0.25
_STEP = 0.35  # standard deviation of the logarithm of mean size from one zoom to the next
_USUAL_CV = 0.8  # standard deviation over mean of tile sizes, where the sample is too small to say
_USUAL_WORTH = 4.0  # samples that the usual, or the pooled, spread counts for
# All four: fitted on generated jobs (tests/imagery_samples/jobs.py, seeds 0 to 599), no source.
_FEW = 3


class SizeInterval(NamedTuple):
    """Bytes: the best guess, and bounds that hold the truth at the level asked for."""

    expected: float
    low: float
    high: float


@dataclass(frozen=True, slots=True)
class _Zoom:
    """One zoom's part: bytes seen, bytes unseen as estimated, its standard error, degrees of freedom."""

    seen: float
    unseen: float
    error: float
    freedom: float


def size_interval(
    sizes_by_zoom: Mapping[int, Sequence[int]], counts_by_zoom: Mapping[int, int], level: float = 0.90
) -> SizeInterval:
    """Bytes of all tiles, from the sizes of a sample without repeats and the number of tiles at each zoom.

    `level` is the chance that the truth lies between low and high, under repeated sampling. A tile known to be
    absent counts with size 0. Raises ValueError if nothing at all was sampled, or more than there is.
    """
    counts = {zoom: count for zoom, count in counts_by_zoom.items() if count > 0}
    samples = {zoom: sizes_by_zoom.get(zoom, ()) for zoom in counts}
    for zoom, count in counts.items():
        if len(samples[zoom]) > count:
            raise ValueError(f"Zoom {zoom} has {count} tiles, but {len(samples[zoom])} sizes were given.")
    if counts and not any(samples.values()):
        raise ValueError("No tile was sampled at any zoom, so there is nothing to judge the size by.")
    pooled = _pooled_cv2(samples)
    parts = [_part(zoom, counts[zoom], samples, pooled) for zoom in sorted(counts)]
    seen, unseen = sum(part.seen for part in parts), sum(part.unseen for part in parts)
    apart = sum(part.error**2 for part in parts)
    error = math.sqrt((1 - _TOGETHER) * apart + _TOGETHER * sum(part.error for part in parts) ** 2)
    if unseen <= 0 or error == 0:
        return SizeInterval(seen + unseen, seen + unseen, seen + unseen)
    # Welch and Satterthwaite's degrees of freedom, from memory.
    freedom = apart**2 / sum(part.error**4 / part.freedom for part in parts if part.error)
    factor = math.exp(_t_quantile(0.5 + level / 2, freedom) * error / unseen)
    return SizeInterval(seen + unseen, seen + unseen / factor, seen + unseen * factor)


def _cv2(sizes: Sequence[int]) -> float:
    mean = fmean(sizes)
    return variance(sizes, mean) / mean**2 if mean else 0.0


def _pooled_cv2(samples: Mapping[int, Sequence[int]]) -> float:
    """Squared coefficient of variation over all zooms, drawn towards the usual one."""
    weights = [(len(sizes) - 1, _cv2(sizes)) for sizes in samples.values() if len(sizes) >= 2]
    total = sum(weight for weight, _ in weights)
    return (_USUAL_WORTH * _USUAL_CV**2 + sum(w * cv2 for w, cv2 in weights)) / (_USUAL_WORTH + total)


def _part(zoom: int, count: int, samples: Mapping[int, Sequence[int]], pooled: float) -> _Zoom:
    sizes = samples[zoom]
    n, seen = len(sizes), float(sum(sizes))
    if n == count:
        return _Zoom(seen, 0.0, 0.0, 1.0)
    if n >= _FEW:
        mean = fmean(sizes)
        cv2 = ((n - 1) * _cv2(sizes) + _USUAL_WORTH * pooled) / (n - 1 + _USUAL_WORTH)
        relative2, freedom = cv2 / n, n - 1.0
    else:
        mean, relative2 = _borrowed(zoom, samples, pooled)
        freedom = float(_FEW)
    # The unseen tiles' own mean strays too: 1/n + 1/(N - n) of the variance, which is the finite population
    # correction said of the unseen part alone.
    left = count - n
    own = pooled / left
    return _Zoom(seen, left * mean, left * mean * math.sqrt(relative2 + own), freedom)


def _borrowed(zoom: int, samples: Mapping[int, Sequence[int]], pooled: float) -> tuple[float, float]:
    """Mean size and its squared relative error, from the zoom itself and the nearest on either side."""
    with_samples = [other for other, sizes in samples.items() if sizes]
    nearest = (
        max((other for other in with_samples if other < zoom), default=None),
        min((other for other in with_samples if other > zoom), default=None),
        zoom if samples[zoom] else None,
    )
    weights, logs = 0.0, 0.0
    for other in nearest:
        if other is None:
            continue
        sizes = samples[other]
        weight = 1 / (pooled / len(sizes) + _STEP**2 * abs(zoom - other))
        weights += weight
        logs += weight * math.log(max(fmean(sizes), 1.0))
    return math.exp(logs / weights), 1 / weights


def _t_quantile(probability: float, freedom: float) -> float:
    """Student's t by Abramowitz and Stegun 26.7.5 (from memory): within 1 % from 3 degrees of freedom on."""
    x = NormalDist().inv_cdf(probability)
    v = max(freedom, 2.0)
    first = (x**3 + x) / 4
    second = (5 * x**5 + 16 * x**3 + 3 * x) / 96
    third = (3 * x**7 + 19 * x**5 + 17 * x**3 - 15 * x) / 384
    return x + first / v + second / v**2 + third / v**3
