"""Each station against the reference and its good neighbours.

What is compared is the shape of the spectrum of the blow and the first ring: third-octave levels about
their own mean, so that a harder blow is no difference. The expectation at a station is the mean of its
nearest good neighbours, weighed with the reference: a thickness taper is followed, and where no good
neighbour is near, the reference alone remains. Which stations are good is found by turns: those that differ
from the reference are left out, the expectation is made anew, and so on until nothing changes. After the
first turn it is harder to come in for what is unlike the reference: a wide patch would creep in from its rim.

A struck panel has nodes: where a mode has one, its band falls away by any amount, on good laminate as on bad.
So a band far below its expectation counts as about 10 dB below, and no more. And in the score that is told,
one band that dips does not count at all, the one that explains most: a node, or a gap in the spectrum of the
blow, which moves with its strength, takes one band away on good laminate too; most loose skin changes more.
Which stations are good is asked with every band, because that is the sharper.

Beside that distance the ring is asked by itself (``ringing.py``, ``lasting.py``): a dead place may have the
usual spectrum, and so may a hollow one; and the ring of nine places at once (``together.py``): a patch may be
heard as a whole only. So may one that has an edge (``patch.py``): its stations do not vouch for each other,
and less is asked of their chance.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace
from functools import partial

import numpy as np
from numpy.typing import NDArray

from taptone.pipeline.lasting import Lasting, find_lasting
from taptone.pipeline.outline import JOINED
from taptone.pipeline.patch import Patches, find_patches, usual_spacing_m
from taptone.pipeline.patchy import least_chance
from taptone.pipeline.ringing import Ringing, Rings, by_either, fit_ringing, rings_to_ask, usual_ringing
from taptone.pipeline.robust import location_scale
from taptone.pipeline.sorts import Sorts, divide
from taptone.pipeline.together import Together, ring_together
from taptone.settings import JudgeSettings
from taptone.types import BAND_CENTRES_HZ, BAND_NAMES_HZ, FloatArray, Scorer

__all__ = [
    "Comparison",
    "band_name_hz",
    "compare",
    "crisper",
    "dips",
    "in_one_band",
    "in_parts",
    "part_columns",
    "part_names",
    "shapes",
    "softened",
    "with_ring",
    "with_score",
    "worth_naming",
]

_LOWEST_BAND = 3  # 200 Hz
_LOW_BANDS = 6  # from there to 630 Hz: a piece of 5 ms does not tell them apart
_NODE = 0.1  # of the expected energy of a band: what a node leaves is not told from less
_ENOUGH_BANDS = 8
_OFTEN = 0.2  # of the taps
_RING_DB = 8.0
_FLOOR = 1e-4  # bands more than 40 dB below the whole are taken as 40 dB below: they are mostly noise
_TURNS = 20
_FIRST = 10.0
_MANY, _ANEW = 0.15, 2  # share of the stations set aside; how often the search begins anew
_FOLDS = 10
_BESIDE = 4  # so many stations lie beside one
_TOGETHER, _LEAST_PARTS = 6, 4  # taps in turn: one, two, three or six strikes a place all fit
_DULLER = 2.0  # spreads of good stations
#: Such a share of a panel is enough to say that a reference fits it, where the median of their chances, which
#: is a half of good places, is more than this; and their rings lie less than so many spreads from the usual.
_SOME, _AS_IT_SHOULD, _AS_USUAL = 0.4, 0.3, 1.0


@dataclass(frozen=True, slots=True, eq=False)
class Comparison:
    """How each station differs: score, chance, and the neighbours it was held against.

    ``good`` marks the stations that served as neighbours, ``neighbours`` lists for each station which ones
    were its own (indices); ``score`` and ``chance_if_good`` are ``nan`` where there was no sound. ``own``
    says that the panel was compared with itself: there is no reference, or most of the panel is unlike it.
    ``heard`` is each station's feature less its expectation, in dB, ``difference`` the same as it counts
    (:func:`softened`), ``usual`` how far good ones stray, ``usual_in_parts`` the same of what is told of as
    one (:func:`in_parts`), ``n_good`` how many good stations and places that was learnt from.
    ``chance_of_kind`` is, on declared structure, the chance among the other stations on structure of that
    kind; ``nan`` where these are too few. ``scorer`` is the model that the differences were scored with.
    ``crisper`` marks what differs but is stiffer or heavier, not loose (``crisp.py``). ``smaller``
    marks the smaller part of a panel of two sorts of sound, or the larger where the reference fits the
    smaller (``turned``); ``by_degrees``: the one turns into the other by degrees, and the panel was not
    divided; ``tilt_counts``: it was, by what many stations have in common, and a harder blow's tilt counts as
    any other difference. ``chance_by_ring`` is the chance by the ring alone (by ``ringing``, by ``lasting``
    or with the places around it by ``together``), which ``chance_if_good`` has taken into account and
    ``score`` has not; ``ring_off_db`` how far that ring lies from what was expected, ``nan`` where it could
    not be read: the one that is longer where that is the rarer.
    ``rings_less``: most of the panel rings less than its reference, so that this tells nothing of a place.
    ``patches`` says which stations differ together from those around them: no chance has that in it.
    """

    score: FloatArray
    chance_if_good: FloatArray
    good: NDArray[np.bool_]
    neighbours: tuple[tuple[int, ...], ...]
    own: bool = False
    difference: FloatArray | None = None
    usual: FloatArray | None = None
    n_good: int = 0
    chance_of_kind: FloatArray | None = None
    scorer: Scorer | None = None
    heard: FloatArray | None = None
    crisper: NDArray[np.bool_] | None = None
    smaller: NDArray[np.bool_] | None = None
    turned: bool = False
    by_degrees: bool = False
    tilt_counts: bool = False
    usual_in_parts: FloatArray | None = None
    chance_by_ring: FloatArray | None = None
    ring_off_db: FloatArray | None = None
    rings_less: bool = False
    ringing: Ringing | None = None
    together: Together | None = None
    patches: Patches | None = None
    lasting: Lasting | None = None


def shapes(bands_db: FloatArray, features: int | None = None) -> FloatArray:
    """Third-octave levels from 200 Hz up, about their mean.

    Parameters
    ----------
    bands_db : ndarray, shape (n, bands)
        Energies in dB, bands of :data:`~taptone.types.BAND_CENTRES_HZ`; ``nan`` where there was nothing.
    features : int, optional
        How many bands to keep; as many as tell something if not given.

    Returns
    -------
    ndarray, shape (n, features)
        Only bands below the first that no row holds, and none above the last that a fifth of the rows hold
        within 40 dB of the whole; the mean of each row is 0.

    Examples
    --------
    >>> import numpy as np
    >>> shapes(np.full((1, 23), -20.0)).shape
    (1, 17)
    """
    top = min(len(BAND_CENTRES_HZ), 20)  # 8 kHz: above it microphones differ most
    levels = bands_db[:, _LOWEST_BAND:top]
    held = np.asarray(np.isfinite(levels).any(axis=0))
    levels = levels[:, : int(np.argmin(held)) if not held.all() else held.size]
    energy = 10 ** (np.nan_to_num(levels, nan=-300.0) / 10)
    whole = energy.sum(axis=1, keepdims=True)
    if features is None:  # what most taps lack is noise and rounding in the others
        clear = (energy > _FLOOR * whole)[whole[:, 0] > 0]
        often = np.flatnonzero(clear.mean(axis=0) >= _OFTEN) if len(clear) else np.zeros(0, int)
        features = int(often[-1]) + 1 if len(often) else energy.shape[1]
    energy = energy[:, :features]
    db = 10 * np.log10(np.maximum(energy, _FLOOR * np.maximum(whole, 1e-300)))
    return np.asarray(db - db.mean(axis=1, keepdims=True))


def band_name_hz(feature: int) -> int:
    """Nominal centre of the third-octave that a column of :func:`shapes` holds.

    Parameters
    ----------
    feature : int
        Number of the column.

    Returns
    -------
    int
        In Hz.

    Examples
    --------
    >>> band_name_hz(0), band_name_hz(12)
    (200, 3150)
    """
    return BAND_NAMES_HZ[_LOWEST_BAND + feature]


def part_columns(features: int) -> tuple[tuple[int, ...], ...]:
    """Columns that a person may be told of as one: the bands below 800 Hz, each band above, the ring.

    Parameters
    ----------
    features : int
        Number of columns; the last is the ring.

    Returns
    -------
    tuple of tuple of int
        Every column once. What short pieces of sound do not tell apart is not named apart.

    Examples
    --------
    >>> part_columns(9)
    ((0, 1, 2, 3, 4, 5), (6,), (7,), (8,))
    """
    low = min(_LOW_BANDS, features - 1)
    return (tuple(range(low)),) * (low > 0) + tuple((n,) for n in range(low, features))


def part_names(features: int) -> tuple[str, ...]:
    """Words for the parts of :func:`part_columns`.

    Parameters
    ----------
    features : int
        Number of columns; the last is the ring.

    Returns
    -------
    tuple of str
        As the reasons of a log call them.

    Examples
    --------
    >>> part_names(9)
    ('sound under 800 Hz', 'third-octave of 800 Hz', 'third-octave of 1000 Hz', 'ring after 20 ms')
    """
    low, *bands, _ = part_columns(features) if features > 1 else ((), ())
    single = tuple(f"third-octave of {band_name_hz(n)} Hz" for (n,) in bands)
    return ("sound under 800 Hz",) * (len(low) > 0) + single + ("ring after 20 ms",)


def in_parts(rows: FloatArray) -> FloatArray:
    """Means of the columns that are told of as one.

    Parameters
    ----------
    rows : ndarray, shape (..., features)
        In dB; bands, and the ring as the last feature.

    Returns
    -------
    ndarray, shape (..., parts)
        In dB.

    Examples
    --------
    >>> in_parts(np.array([[1.0, 2.0, 3.0, 1.0, 2.0, 3.0, -4.0, 9.0]]))
    array([[ 2., -4.,  9.]])
    """
    columns = part_columns(rows.shape[-1])
    return np.stack([rows[..., list(part)].mean(axis=-1) for part in columns], axis=-1)


def crisper(features: int) -> FloatArray:
    """The direction of a harder contact: an even tilt towards the high bands, not held against a place.

    Parameters
    ----------
    features : int
        Number of bands.

    Returns
    -------
    ndarray, shape (features,)
        Sums to zero.

    Examples
    --------
    >>> crisper(3)
    array([-1.,  0.,  1.])
    """
    return np.linspace(-1.0, 1.0, features) if features > 1 else np.ones(1)


def in_one_band(
    bands_db: FloatArray, known_db: FloatArray | None, features: int | None = None
) -> tuple[FloatArray, FloatArray | None]:
    """Shapes of two sets over the bands that both hold, or over the first so many of them.

    Parameters
    ----------
    bands_db : ndarray, shape (n, bands)
        As for :func:`shapes`; a row of ``nan`` where there was no sound.
    known_db : ndarray, shape (m, bands), or None
        What they are held against.
    features : int, optional
        As for :func:`shapes`.

    Returns
    -------
    shape : ndarray, shape (n, features)
        A row of ``nan`` where there was no sound.
    known : ndarray, shape (m, features), or None
        In the same bands.

    Examples
    --------
    >>> import numpy as np
    >>> wide, narrow = np.full((1, 23), -20.0), np.full((1, 23), -20.0)
    >>> narrow[:, 16:] = np.nan
    >>> [rows.shape for rows in in_one_band(wide, narrow)]
    [(1, 13), (1, 13)]
    """
    nobody = ~np.isfinite(bands_db).any(axis=0)
    if known_db is not None:
        nobody |= ~np.isfinite(known_db).any(axis=0)
        known_db = np.where(nobody, np.nan, known_db)
    bands_db = np.where(nobody, np.nan, bands_db)
    if not np.isfinite(bands_db).any():
        return np.full((len(bands_db), 1), np.nan), None if known_db is None else np.zeros((len(known_db), 1))
    both = shapes(bands_db if known_db is None else np.concatenate([bands_db, known_db]), features)
    shape = both[: len(bands_db)].copy()
    shape[~np.isfinite(bands_db).any(axis=1)] = np.nan
    return shape, None if known_db is None else both[len(bands_db) :]


def with_ring(
    shape: FloatArray, known: FloatArray | None, ring_db: FloatArray, known_ring_db: FloatArray
) -> tuple[FloatArray, FloatArray | None]:
    """The ring as one more feature; a known place whose ring could not be read is taken as usual.

    Parameters
    ----------
    shape : ndarray, shape (n, features)
        From :func:`in_one_band`.
    known : ndarray, shape (m, features), or None
        The same.
    ring_db : ndarray, shape (n,)
        Late over early energy; ``nan`` where it could not be read.
    known_ring_db : ndarray, shape (m,)
        Of what they are held against.

    Returns
    -------
    shape : ndarray, shape (n, features + 1)
        A row of ``nan`` where there was no sound.
    known : ndarray, shape (m, features + 1), or None
        No ring is missing.

    Examples
    --------
    >>> import numpy as np
    >>> with_ring(np.zeros((1, 2)), np.zeros((2, 2)), np.array([-9.0]), np.array([-8.0, np.nan]))[1]
    array([[ 0.,  0., -8.],
           [ 0.,  0., -8.]])
    """
    usual = known_ring_db if known is not None else ring_db
    usual_db = float(np.median(usual[np.isfinite(usual)])) if np.isfinite(usual).any() else 0.0
    if not (np.isfinite(usual).any() and np.isfinite(ring_db).any()):
        ring_db, known_ring_db = np.full(len(shape), usual_db), np.full(len(known_ring_db), usual_db)
    shape = np.column_stack([shape, np.where(np.isfinite(shape).any(axis=1), ring_db, np.nan)])
    if known is None:
        return shape, None
    return shape, np.column_stack([known, np.where(np.isfinite(known_ring_db), known_ring_db, usual_db)])


def softened(difference: FloatArray) -> FloatArray:
    """Differences in which no band lies further than about 10 dB below its expectation, no ring beyond 8 dB.

    Parameters
    ----------
    difference : ndarray, shape (..., features)
        In dB; bands, and the ring as the last feature.

    Returns
    -------
    ndarray, shape (..., features)
        ``10 log10((10**(d / 10) + 0.1) / 1.1)`` in the bands; the ring drawn in: a late sound of something
        else says as much as it ever can.

    Examples
    --------
    >>> import numpy as np
    >>> softened(np.array([[-40.0, -3.0, 0.0, 10.0, -40.0]])).round(1)
    array([[-10.4,  -2.6,   0. ,   9.6,  -8. ]])
    """
    bands = 10 * np.log10((10 ** (difference[..., :-1] / 10) + _NODE) / (1 + _NODE))
    ring = np.clip(difference[..., -1:], -_RING_DB, _RING_DB)
    return np.concatenate([bands, ring], axis=-1)


def worth_naming(compared: Comparison, k: int) -> FloatArray:
    """What of a station's difference is worth naming: all of it but the band that was left out as a dip.

    How far the fitted dip goes is the model's affair: the other bands ask for it. What was heard stays.

    Parameters
    ----------
    compared : Comparison
        Of all stations; with differences.
    k : int
        Which station.

    Returns
    -------
    ndarray, shape (features,)
        In dB; 0 for that band, where it lies below what was expected.

    Examples
    --------
    >>> import numpy as np
    >>> nothing = np.full(1, np.nan)
    >>> compared = Comparison(nothing, nothing, nothing > 0, ((),), difference=np.array([[1.0, -9.0, 2.0]]))
    >>> worth_naming(compared, 0)
    array([ 1., -9.,  2.])
    """
    assert compared.difference is not None
    named = compared.difference[k].copy()
    if compared.scorer is not None:
        dip = named - compared.scorer.counted(named[None])[0]
        band = int(np.argmin(dip))
        if dip[band] < 0 and named[band] < 0:
            named[band] = 0.0
    return np.asarray(named)


def with_score(compared: Comparison, k: int, score: float) -> Comparison:
    """The same, had one station another score, and its ring and the others theirs.

    Parameters
    ----------
    compared : Comparison
        Of all stations; with the model that scored them.
    k : int
        Which station.
    score : float
        What it would be.

    Returns
    -------
    Comparison
        With the chance that belongs to it.

    Examples
    --------
    >>> import numpy as np
    >>> from taptone.model.baseline import Baseline
    >>> shape = np.random.default_rng(0).normal(size=(40, 4))
    >>> compared = compare(shape, None, [""] * 40, None, Baseline)
    >>> bool(with_score(compared, 7, 99.0).chance_if_good[7] < 0.001)
    True
    """
    assert compared.scorer is not None
    scores, chances = compared.score.copy(), compared.chance_if_good.copy()
    scores[k] = score
    chances[k] = compared.scorer.chance_if_good(scores[k : k + 1])[0]
    if compared.chance_by_ring is not None:
        chances[k] = by_either(chances[k], compared.chance_by_ring[k])
    return replace(compared, score=scores, chance_if_good=chances)


def dips(features: int) -> FloatArray | None:
    """How the features move where one band alone rises: that band, and all about their mean the other way.

    Parameters
    ----------
    features : int
        Number of columns; the last is the ring, which is no band.

    Returns
    -------
    ndarray, shape (bands, features), or None
        None of fewer than 8 bands: each tells too much to be left out.

    Examples
    --------
    >>> dips(11)[0].round(1).tolist()
    [0.9, -0.1, -0.1, -0.1, -0.1, -0.1, -0.1, -0.1, -0.1, -0.1, 0.0]
    """
    bands = features - 1
    if bands < _ENOUGH_BANDS:
        return None
    return np.column_stack([np.eye(bands) - 1 / bands, np.zeros(bands)])


def compare(
    shape: FloatArray,
    xy_m: FloatArray | None,
    structure: Sequence[str],
    reference: FloatArray | None,
    new_scorer: Callable[[], Scorer],
    settings: JudgeSettings = JudgeSettings(),
    rings: Sequence[Rings] = (),
) -> Comparison:
    """Hold each station against the reference and its good neighbours.

    Parameters
    ----------
    shape : ndarray, shape (stations, features)
        Shapes of the stations and their ring, which is the last feature and may be ``nan`` by itself; a row
        of ``nan`` where there was no sound.
    xy_m : ndarray, shape (stations, 2), or None
        Where they are; None: nobody knows, and there are no neighbours. Then rows that follow each other may
        be strikes of one place, which are more alike than places are: without a reference they are held out
        together.
    structure : sequence of str, length stations
        Kind of declared structure under each; empty off it: only these stations can be neighbours.
    reference : ndarray, shape (places, features), or None
        Shapes of known-good places; without them the panel is its own reference.
    new_scorer : callable
        Makes an unfitted model.
    settings : JudgeSettings, optional
        Number of neighbours and the weight of the reference.
    rings : sequence of Rings, optional
        What may be asked by itself, after 20 ms first (:func:`~taptone.pipeline.ringing.rings_to_ask`); the
        last feature if not given.

    Returns
    -------
    Comparison
        In the order of the stations.

    Examples
    --------
    >>> import numpy as np
    >>> from taptone.model.baseline import Baseline
    >>> rng = np.random.default_rng(0)
    >>> shape = rng.normal(size=(30, 4))
    >>> shape[7, 0] += 40
    >>> xy_m = np.stack(np.divmod(np.arange(30), 6), axis=1) * 0.1
    >>> compared = compare(shape, xy_m, [""] * 30, rng.normal(size=(20, 4)), Baseline)
    >>> int(compared.score.argmax()), bool(compared.chance_if_good[7] < 1e-4)
    (7, True)
    """
    heard = np.asarray(np.isfinite(shape[:, :-1]).all(axis=1)) & np.isfinite(shape).any(axis=1)
    unread = heard & np.isnan(shape[:, -1])
    if not rings:
        last, known_last = shape[:, -1], np.zeros(0) if reference is None else reference[:, -1]
        rings = [Rings(last, last, known_last)]
    if unread.any():  # an unread ring tells nothing: it is taken for what was expected there
        read = shape[heard & ~unread, -1]
        shape = shape.copy()
        shape[unread, -1] = np.median(read) if len(read) else 0.0
    able = heard & np.array([not kind for kind in structure], bool)
    nothing = np.full(len(shape), np.nan)
    if not heard.any():
        return Comparison(nothing, nothing, able, tuple(() for _ in shape))
    count = 0 if xy_m is None else settings.neighbours
    strays = np.zeros((0, shape.shape[1]))
    own = True
    known, alone, short = able.copy(), nothing.copy(), np.zeros(len(shape), bool)
    at_m = np.zeros((len(shape), 2)) if xy_m is None else xy_m
    far_m = np.linalg.norm(at_m[:, None] - at_m[None], axis=2)
    touching = None
    if count:
        near_by = (far_m > 0) & (far_m <= JOINED * usual_spacing_m(far_m, able))
        touching = near_by & able[:, None] & able
    if reference is not None and able.any():
        scorer = new_scorer().fit(reference)
        chance = scorer.chance_if_good(scorer.score_samples(shape[able]), usual=True)
        alike = able.copy()
        # Stricter than later turns: a reference of few places is a blunt judge, and a bad third must not
        # be where the search starts.
        alike[able] = chance > _FIRST * settings.set_aside
        known[able] = chance > settings.set_aside
        alone[able] = chance
        # Where most of a panel is unlike the reference, it is the reference that lies off: then the half
        # that is most alike starts the search, and the reference only lends its spread. But a reference
        # that lies off lies off everywhere: where it fits some of a panel as it fits itself, it is the rest
        # that differs, be that most of it.
        some_fit = alike.sum() >= _SOME * able.sum() and np.median(alone[alike]) > _AS_IT_SHOULD
        own = bool(2 * alike.sum() < able.sum()) and count > 0 and not some_fit
        strays = softened(reference - scorer.location_)
        middle, good = scorer.location_, alike
    core_middle, core = _own_middle(shape, able, new_scorer)
    if own:
        middle, good = core_middle, core
    asked = rings_to_ask(rings, settings.least_ring_db, able if own else None)
    read_ring = heard & np.isfinite(asked.pooled_db)
    if len(np.unique(asked.pooled_db[read_ring])) < 2:  # no ring was read, here or there
        read_ring[:] = False
    surely_db = np.where(read_ring, asked.surely_db, np.nan)
    stray_rings = asked.known_db[np.isfinite(asked.known_db)]
    if len(stray_rings):
        stray_rings = stray_rings - float(location_scale(stray_rings)[0])
    law = usual_ringing(asked, settings.least_ring_db, able & read_ring if own else None)
    usual_ring_db = law.middle_db if law.places else 0.0
    ring_db = np.where(read_ring, asked.pooled_db, usual_ring_db)  # for what is expected beside them
    rings_less = False
    by_its_own = by_either(np.ones(len(shape)), law.chance(surely_db))
    at_first = min(_FIRST * settings.set_aside, 1.0)  # a chance of 1 sets nothing aside
    if not own:
        # Dead skin may be alike in all else, hollow skin too, and would vouch for its neighbours: its ring is
        # asked too, unless most of the panel rings less, or longer.
        dead = by_its_own < at_first
        nobody = np.zeros_like(heard)
        at_usual = find_lasting(
            rings,
            heard,
            nobody,
            lambda ring_db, usual_db: np.full_like(ring_db, usual_db),
            settings.least_ring_db,
            asked.after_ms,
            touching,
        )
        hollow = np.zeros(len(shape), bool)
        if at_usual is not None:
            hollow = by_either(np.ones(len(shape)), at_usual.chance) < at_first
        usually = (asked.pooled_db - law.middle_db) / law.spread_db
        rings_less, rings_on = (
            _most(good & odd, good & ~odd, usually, int(able.sum())) for odd in (dead, hollow)
        )
        for odd, most in ((dead, rings_less), (hollow, rings_on)):
            if not most:
                good, known, short = good & ~odd, known & ~odd, short | odd
    # Nor does a patch that rings short, or long, as a whole.
    together = None
    if count:  # what would be suspect by its own ring, were it the only one, is told already
        told = not rings_less and by_its_own < (1 - settings.confidence) / max(int(able.sum()), 1)
        together = ring_together(asked, far_m, able & read_ring, settings.least_ring_db, told & able)
    with_others = np.ones(len(shape)) if together is None else together.chance
    as_one = by_either(np.ones(len(shape)), with_others) < at_first
    # Where the panel divides in two, the larger part starts, and the smaller is late; the other way about
    # where it is the smaller that the reference fits. Where that is by what many stations have in common, the
    # tilt of a harder blow counts too: it alone divides no panel.
    sorts = Sorts(able, np.zeros(len(able), bool))
    beside: list[Sequence[int]] = [()] * len(shape)
    patches, in_patch, turned = None, np.zeros(len(shape), bool), False
    if count:
        beside = _nearest(far_m, able, _BESIDE)
        off_db, harder = softened(shape - core_middle), np.append(crisper(shape.shape[1] - 1), 0.0)
        sorts = divide(off_db, able, core, beside, new_scorer, settings.least_spread_db, harder)
        fits = None if own else np.nan_to_num(alone)
        bands, least_db = np.s_[..., :-1], settings.least_spread_db
        patches = find_patches(off_db[bands], at_m, able, least_db, harder[bands], fits)
        in_patch = patches.which >= 0
        turned = sorts.at_a_step and not own and _fits_other(sorts, alone, settings.set_aside)
        if turned:
            sorts = replace(sorts, larger=sorts.smaller, smaller=sorts.larger)
    divided = sorts.at_a_step
    if divided:
        good = known = sorts.larger
    good, known, short = good & ~as_one & ~in_patch, known & ~as_one & ~in_patch, short | as_one
    in_turn = None
    if xy_m is None and reference is None:
        in_turn = np.arange(len(shape)) // max(min(_TOGETHER, len(shape) // _LEAST_PARTS), 1)
        surely_db = nothing  # strikes of one place teach a single number too little of how places differ

    def ringing(off_db: FloatArray, good: NDArray[np.bool_]) -> Ringing:
        return fit_ringing(
            np.concatenate([stray_rings, off_db[good]]), settings.least_ring_db, asked.after_ms
        )

    def lasts(near: list[Sequence[int]], good: NDArray[np.bool_]) -> Lasting | None:
        def expected(ring_db: FloatArray, usual_db: float) -> FloatArray:
            return _expected(ring_db, near, usual_db, settings.reference_weight)

        both = rings if in_turn is None else ()
        return find_lasting(both, heard, good, expected, settings.least_ring_db, asked.after_ms, touching)

    def settled(good: NDArray[np.bool_], known: NDArray[np.bool_]) -> _Settled | None:
        """By turns, until the same stations are good as the turn before."""
        for turn in range(_TURNS):
            served = good
            near = _nearest(far_m, good, count)
            step = shape - _expected(shape, near, middle, settings.reference_weight)
            off_db = surely_db - _expected(ring_db, near, usual_ring_db, settings.reference_weight)
            step[unread, -1] = 0.0
            difference = softened(step)
            rows = np.concatenate([strays, difference[good]])
            if len(rows) < 2:
                return None
            groups = None if in_turn is None else in_turn[good]
            scorer = new_scorer().fit(rows, groups=groups, every_way=sorts.one_way)
            score = np.full(len(shape), np.nan)
            chance = np.full(len(shape), np.nan)
            score[heard] = scorer.score_samples(difference[heard])
            score[good] = scorer.held_out_[len(strays) :]  # not by what was learnt from themselves
            chance[heard] = scorer.chance_if_good(score[heard], usual=True)
            lasting = lasts(near, good)
            rung = np.minimum(ringing(off_db, good).chance(off_db), with_others)
            chance = by_either(chance, rung if lasting is None else np.minimum(rung, lasting.chance))
            # Good stations come in at once, when the expectation first follows the panel. A patch comes in
            # later, from its rim, one by one, each making room for the next: so the reference has a say in
            # who is late.
            at_once = ~short & ((own or turn == 0) and not divided)
            least = settings.set_aside * np.where(good | known | at_once, 1.0, _FIRST)
            still = able & ~in_patch & (np.nan_to_num(chance, nan=0.0) > least)
            if (still == good).all():
                break
            good = still
        return _Settled(served, near, step, difference, rows, chance, off_db, lasting)

    found = settled(good, known)
    # Where many differ, more may: a wide patch that came in is its own neighbour. The search begins anew
    # without what is more likely bad than good amid such neighbours: by reference and panel, then by panel.
    # Where the panel divides, a patch was found already: only at its rim can there be more of it.
    rim = np.array([not divided or bool(sorts.smaller[[k, *near]].any()) for k, near in enumerate(beside)])
    doubts = [] if own else [alone]
    for _ in range(_ANEW):
        if found is None or count == 0 or found.good.sum() > (1 - _MANY) * able.sum():
            break
        doubts.append(found.chance)
        good = np.where(rim, able & ~in_patch, found.good)
        for chance in doubts:
            good &= ~rim | (np.nan_to_num(chance, nan=0.0) > least_chance(far_m, chance, able))
        if good.sum() < settings.least_places:
            break
        doubts, found = [], settled(good, good)
    if found is None:
        return Comparison(nothing, nothing, good, tuple(() for _ in shape))
    groups = None if in_turn is None else in_turn[found.good]
    scorer = new_scorer().fit(found.rows, groups=groups, dips=dips(shape.shape[1]), every_way=sorts.one_way)
    score, chance = nothing.copy(), nothing.copy()
    score[heard] = scorer.score_samples(found.difference[heard])
    score[found.good] = scorer.held_out_[len(strays) :]
    chance[heard] = scorer.chance_if_good(score[heard])
    ring = ringing(found.ring_off_db, found.good)
    by_its_ring = np.minimum(ring.chance(found.ring_off_db), with_others)
    ring_off_db = found.ring_off_db
    if found.lasting is not None:
        longer = found.lasting.chance < ring.chance(ring_off_db)
        ring_off_db = np.where(longer, found.lasting.of(asked.after_ms), ring_off_db)
        by_its_ring = np.minimum(by_its_ring, found.lasting.chance)
    return Comparison(
        score,
        by_either(chance, by_its_ring),
        found.good,
        tuple(tuple(int(k) for k in row) for row in found.near),
        own,
        found.difference,
        location_scale(found.rows)[1],
        len(found.rows),
        _of_kind(found.difference, structure, found.good, heard, new_scorer, settings.least_places),
        scorer,
        found.step,
        smaller=sorts.smaller if sorts.smaller.any() else None,
        turned=turned,
        by_degrees=bool(sorts.smaller.any()) and not divided,
        tilt_counts=sorts.one_way,
        usual_in_parts=location_scale(in_parts(found.rows))[1],
        chance_by_ring=by_its_ring,
        ring_off_db=ring_off_db,
        rings_less=rings_less,
        ringing=ring,
        together=together,
        patches=patches,
        lasting=found.lasting,
    )


@dataclass(frozen=True, slots=True, eq=False)
class _Settled:
    """Which stations are good once nothing changes, and how each differs from what it is held against.

    ``rows`` is what the good ones and the reference teach; ``chance`` that of the search; ``ring_off_db`` how
    far each surely rings beside what is expected, ``nan`` where that could not be read.
    """

    good: NDArray[np.bool_]
    near: list[Sequence[int]]
    step: FloatArray
    difference: FloatArray
    rows: FloatArray
    chance: FloatArray
    ring_off_db: FloatArray
    lasting: Lasting | None


def _fits_other(sorts: Sorts, alone: FloatArray, set_aside: float) -> bool:
    """Whether the reference fits the smaller part as it fits itself, and not the larger."""
    larger, smaller = float(np.median(alone[sorts.larger])), float(np.median(alone[sorts.smaller]))
    return smaller > _AS_IT_SHOULD and larger < _FIRST * set_aside


def _most(odd: NDArray[np.bool_], others: NDArray[np.bool_], strays: FloatArray, of: int) -> bool:
    """Whether most stations ring oddly, and too few others of them all as the reference does."""
    if not odd.any() or odd.sum() < others.sum():
        return False
    rest = strays[others & np.isfinite(strays)]
    some_fit = len(rest) >= _SOME * of and abs(float(np.median(rest))) < _AS_USUAL
    return not some_fit


def _of_kind(
    difference: FloatArray,
    structure: Sequence[str],
    good: NDArray[np.bool_],
    heard: NDArray[np.bool_],
    new_scorer: Callable[[], Scorer],
    least: int,
) -> FloatArray:
    """Chance of each station on structure among the others on structure of its kind, held out in turn.

    Structure is uneven, and few stations lie on it: only what makes skin crisper can be judged this way, and
    only a station that is duller than plain skin there; any other has a chance of 1.
    """
    chance = np.full(len(difference), np.nan)
    tilt = difference[:, :-1] @ crisper(difference.shape[1] - 1)
    duller = tilt < -_DULLER * float(location_scale(tilt[good])[1])
    for kind in dict.fromkeys(filter(None, structure)):
        members = np.array([k for k, own in enumerate(structure) if own == kind and heard[k]], int)
        if len(members) <= least:
            continue
        chance[members] = 1.0
        if not np.median(tilt[members]) > 0:
            continue
        fold = np.arange(len(members)) % _FOLDS
        for n in np.unique(fold[duller[members]]):
            odd = members[(fold == n) & duller[members]]
            scorer = new_scorer().fit(difference[members[fold != n]])
            chance[odd] = scorer.chance_if_good(scorer.score_samples(difference[odd]))
    return chance


def _own_middle(
    shape: FloatArray, able: NDArray[np.bool_], new_scorer: Callable[[], Scorer]
) -> tuple[FloatArray, NDArray[np.bool_]]:
    """Middle of the half of the stations that are most alike: a third may be bad.

    Concentration (Rousseeuw and Van Driessen 1999): the nearest half, its middle, again the nearest half.
    By plain decibels first, from the median; then by the score that judges, in which a patch that only moves
    what good places agree on lies far off.
    """
    if able.sum() < 2:
        return np.zeros(shape.shape[1]), able.copy()
    half = int(able.sum()) // 2 + 1
    middle, good = np.median(shape[able], axis=0), np.zeros(len(able), bool)
    for distance in (_plain, partial(_scored, new_scorer)):
        for _ in range(_TURNS):
            off = np.full(len(shape), np.inf)
            off[able] = distance(shape[able], middle, good[able])
            core = np.zeros(len(able), bool)
            core[np.argsort(off, kind="stable")[:half]] = True
            if (core == good).all():
                break
            good, middle = core, shape[core].mean(axis=0)
    return middle, good


def _plain(rows: FloatArray, middle: FloatArray, _: NDArray[np.bool_]) -> FloatArray:
    return np.asarray(np.linalg.norm(rows - middle, axis=1))


def _scored(
    new_scorer: Callable[[], Scorer], rows: FloatArray, middle: FloatArray, core: NDArray[np.bool_]
) -> FloatArray:
    off = softened(rows - middle)
    halves = np.arange(int(core.sum())) % 2  # nothing held out is asked for: the fewest turns of it
    return new_scorer().fit(off[core], groups=halves).score_samples(off)


def _nearest(far: FloatArray, good: NDArray[np.bool_], count: int) -> list[Sequence[int]]:
    """The nearest good stations of each, itself left out, nearest first."""
    candidates = np.flatnonzero(good)
    out: list[Sequence[int]] = []
    for k, row in enumerate(far):
        others = candidates[candidates != k]
        out.append(others[np.argsort(row[others], kind="stable")[:count]].tolist())
    return out


def _expected(
    rows: FloatArray, near: list[Sequence[int]], middle: FloatArray | float, weight: float
) -> FloatArray:
    """Mean of the good neighbours, with the reference counting as `weight` further ones."""
    return np.array([(rows[list(k)].sum(axis=0) + weight * middle) / (len(k) + weight) for k in near])
