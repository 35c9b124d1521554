"""Does a tile show more than its parent, or only the parent enlarged?

Servers that have no imagery at a zoom often enlarge the last one they have, by 2, 4 or 8. Such tiles cost as
much as real ones and show nothing new. The verdict is *enlarged* only on ground where an ordinary tile would
have shown fine detail in spite of its coding; *native* only where fine detail is present that the coarser
pixels cannot explain; and *undecided* on everything between: water, snow, plain paper, coarse coding.

There are two witnesses. An enlarged tile can be predicted from its parent, and from a part of its own pixels;
it is called enlarged if either explains it, since the child may come from another source than its parent. On
our samples the two agree, and what the parent adds is the name of the filter. A tile whose fine detail is
absent altogether, unsharp but not by a factor that can be named, counts as enlarged as well, with factor 2,
since it shows nothing that its parent could not.

The plain measures do not do. On our samples the variance of the Laplacian (Pech-Pacheco et al., ICPR 2000,
from memory) is higher for some enlarged tiles than for some native ones, and nearest-neighbour enlargement
raises it. The periodicity of the second difference (Gallagher, CRV 2005) is invisible at exactly the factor 2
in the alignment that tile servers use, where every new pixel lies a quarter pixel from an old one, and for 4
and 8 its peaks fall on those of JPEG's own 8-pixel blocks. See `packer.survey.imagery.prediction` for what is used.
"""

from __future__ import annotations

import enum
from dataclasses import dataclass, replace

from packer.survey.imagery.pixels import Grey, grey
from packer.survey.imagery.prediction import (
    KINDS,
    Misfit,
    apart,
    from_itself,
    from_parent,
    misfit,
    outside,
    relief,
)

__all__ = ["Detail", "DetailVerdict", "detail", "detail_alone"]


@dataclass(frozen=True, slots=True)
class _Bounds:
    """Where the verdicts begin, for one manner of coding.

    Tuned on the calibration pictures; `scripts/bench_imagery.py` prints what they do on the others. `grain` is
    the unforeseen fine detail, in levels², below which it is grain and not ground; `native` holds pairs of
    least share and least score, of which one must be met; `enlarged` and `coarse` the greatest share or score,
    of which one suffices, for the finest band and for those of factors 4 and 8.
    """

    grain: float
    native: tuple[tuple[float, float], ...]
    enlarged: tuple[float, float]
    coarse: tuple[float, float]


_LOSSLESS = _Bounds(0.6, ((0.12, 0.25),), (0.06, 0.1), (0.06, 0.01))
_JPEG = _Bounds(0.15, ((0.12, 0.25), (0.07, 3.0)), (0.06, 0.1), (0.06, 0.01))
# WebP hides its steps (see pixels.py), so shares of what they explain count for nothing: only scores do.
_WEBP = _Bounds(0.1, ((0.0, 0.3),), (0.0, 0.1), (0.0, 0.02))

# Levels²: below it, ordinary ground would not have shown in this coding either. The bands of 4 and 8 show
# far more of it, and slow gradients too.
_LEAST_EXPECTED, _LEAST_COARSE = 0.01, 0.5
# Levels, just visible as texture, and the share of the tile that has to show it. Plainer ground may be native
# and hold nothing finer, and one straight line of even width looks like doubled pixels by chance.
_LEAST_RELIEF, _LEAST_SPREAD = 2.0, 0.2
# What hints at an enlargement by 4 or 8 in a tile too dark or plain for a verdict: least detail to be expected there,
# greatest score and least relief, at which the places of `tests/imagery_samples/places.py` part (native ones score 0.9
# and more, enlarged ones under 0.02). One hint says little; several in one area do.
_HINT_EXPECTED, _HINT_SCORE, _HINT_RELIEF = {8: 0.3, 4: 0.1}, 0.05, 0.8
_KIND_LEAD = 1.04  # how much worse the second-best filter must fit before the best is named
_SMALLEST = 64  # pixels a side: an eighth of it still gives the fit something to learn from


class DetailVerdict(enum.StrEnum):
    """What a tile's fine detail says about its origin."""

    NATIVE = "native"
    ENLARGED = "enlarged"
    UNDECIDED = "undecided"


@dataclass(frozen=True, slots=True)
class Detail:
    """The verdict on one tile.

    `factor` is 1, or by how much the tile is enlarged at least (2, 4 or 8); `kind` the enlarging filter
    ("nearest", "bilinear", "bicubic") or None where it cannot be told. `score` is the unforeseen fine detail
    as a share of what ordinary ground would show: near 0 for an enlarged tile, near 1 or more for a native
    one, and of no meaning for an undecided one. `hint` is by how much an undecided tile seems to be enlarged (4 or 8),
    1 if nothing hints at it.
    """

    verdict: DetailVerdict
    factor: int
    kind: str | None
    score: float
    hint: int = 1


def detail(child: bytes, parent_body: bytes, quadrant: tuple[int, int]) -> Detail:
    """Judge a tile against its parent; `quadrant` is the child's (x & 1, y & 1), counted from the top left.

    If the two have different or unusual sizes the child is judged alone. Raises AnswerError if either is no
    picture.
    """
    own, above = grey(child), grey(parent_body)
    found = _judged(own)
    if found is _NOTHING or own.levels.shape != above.levels.shape:
        return found
    if found.verdict is not DetailVerdict.ENLARGED:
        by_parent = misfit(own, from_parent(own.levels, above.levels, quadrant), 2)
        if _plain(own, 2) or not _explained(by_parent, _LEAST_EXPECTED, _bounds(own).enlarged):
            return found
        found = Detail(DetailVerdict.ENLARGED, 2, None, by_parent.score)
    if found.factor != 2 or found.kind == "nearest":
        return found
    fits = {kind: apart(own.levels, above.levels, quadrant, kind) for kind in KINDS}
    same_picture = min(fits.values()) < 2 * outside(own.levels, "bicubic", 2) + 1
    return replace(found, kind=_best(fits)) if same_picture else found


def detail_alone(child: bytes) -> Detail:
    """Judge a tile without its parent: as sure about the verdict on our samples, less so about the kind.

    Raises AnswerError if the body is not a picture.
    """
    return _judged(grey(child))


_NOTHING = Detail(DetailVerdict.UNDECIDED, 1, None, 0.0)


def _judged(own: Grey) -> Detail:
    rows, columns = own.levels.shape
    if rows != columns or rows < _SMALLEST or rows % 16:
        return _NOTHING
    bounds = _bounds(own)
    fine = misfit(own, from_itself(own.levels, 2), 2)
    shown = fine.left_over >= bounds.grain
    if shown and any(fine.share >= share and fine.score >= score for share, score in bounds.native):
        return Detail(DetailVerdict.NATIVE, 1, None, fine.score)
    explained = _explained(fine, _LEAST_EXPECTED, bounds.enlarged)
    factor = 1 if shown and not explained else _coarser_factor(own, bounds)
    if factor == 1 or (factor == 2 and not explained) or _plain(own, factor):
        return Detail(DetailVerdict.UNDECIDED, 1, None, fine.score, 1 if shown else _hint(own))
    fits = {kind: outside(own.levels, kind, factor) for kind in KINDS}
    return Detail(DetailVerdict.ENLARGED, factor, _best(fits), fine.score)


def _bounds(own: Grey) -> _Bounds:
    if own.guessed:
        return _WEBP
    return _JPEG if own.steps.any() else _LOSSLESS


def _explained(found: Misfit, least: float, most: tuple[float, float]) -> bool:
    """Whether fine detail should be there and is not, or is there and is predicted."""
    share, score = most
    return found.expected >= least and (found.share < share or found.score < score)


def _plain(own: Grey, factor: int) -> bool:
    """Whether there is too little texture above a factor's reach to miss any below it."""
    strength, spread = relief(own.levels, factor)
    return strength < _LEAST_RELIEF or spread < _LEAST_SPREAD


def _coarser_factor(own: Grey, bounds: _Bounds) -> int:
    """8 or 4 if the tile is empty that far down, else 2.

    Where coarse coding leaves the finest band empty in any tile, these bands still tell.
    """
    for factor in (8, 4):
        found = misfit(own, from_itself(own.levels, factor), factor)
        if _explained(found, _LEAST_COARSE, bounds.coarse):
            return factor
    return 2


def _hint(own: Grey) -> int:
    """The factor by which a tile without fine detail seems to be enlarged: 8, 4, or 1 for none."""
    for factor, least in () if own.guessed else _HINT_EXPECTED.items():
        strength, spread = relief(own.levels, factor)
        if strength >= _HINT_RELIEF and spread >= _LEAST_SPREAD:
            found = misfit(own, from_itself(own.levels, factor), factor)
            if found.expected >= least and found.score < _HINT_SCORE:
                return factor
    return 1


def _best(fits: dict[str, float]) -> str | None:
    first, second = sorted(fits, key=fits.__getitem__)[:2]
    return first if fits[second] > _KIND_LEAD * fits[first] + 0.02 else None
