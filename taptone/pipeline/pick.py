"""Which sudden sounds of a recording are its taps: those of one family, or on its rhythm.

Whoever taps a panel strikes with one hammer, about as hard, and keeps a rhythm. So the taps of a recording
are known by each other. A sudden sound is held against the early spectrum and the level of the bulk of them,
noise allowed for, and against two other explanations: nothing at all, and something else. A loose skin sounds
like something else too, but it is struck when a tap is due. So the sequence of sounds that is best as a whole
is taken [1]_: plain, alike, or due. What is left over is neither, and says so. It tells of others: a loose
skin is never struck when no tap is due, so a sound whose like mostly came then belongs to something else,
even where it happens to fall into the rhythm.

A yard may hold more of somebody else's blows than of one's own. The own hammer is the nearest: where the
louder sounds make a family of their own, or keep a steadier rhythm than all of them, it is theirs; or where
they keep a rhythm and all of them together do not look like one hammer. Where both are one hand's for the
most part, the steadier is taken: it holds fewer of others' blows.

Where known-good taps of the same boat say how the own hammer sounds, it need not be guessed: the family is
learnt from the sounds that begin as they do. Their level does not count, the microphone may have stood nearer
or further away. With few such sounds, or where a choice made without them holds them as well and is steadier,
nothing changes.

References
----------
.. [1] R. Bellman, "Dynamic programming", Princeton University Press, 1957 (the principle; from memory).
"""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from taptone.pipeline.detect import EDGES_HZ, FAINT, Detector, Traits, begins_db, cut_out
from taptone.settings import DetectSettings
from taptone.types import FloatArray, HammerSound, Rejected, Sound, Tap

__all__ = ["hammer_sound", "listen"]

_TURNS = 4  # of learning the family and choosing by it
_LOUDER = (0.5, 0.75, 0.9)  # quantiles of level from which a louder family is looked for
_UNSTEADY_DB = 1.5  # of noise from one moment to the next, beside what chance does in a narrow band
_LEAST_SD_DB = 3.0  # of a family, in a band
_WIDE_DB = 30.0  # anything else may be this different in a band
_PLAIN = 20.0  # natural logarithm of the odds from which a sound is plainly there
_LOUD_DB = 10.0  # below the family, down to which a plain sound may be a strike on a loose skin
_ECHO_S = 0.35  # a softer sound this soon after a tap, hardly above its tail, is its echo
_BEGIN_S = 0.1  # within which a recorder's own click may be heard
_BUSY = 0.1  # sounds that are no taps by themselves, over taps, from which much else is going on
_LONGEST_S = 8.0  # gap of a rhythm
_CERTAIN = 1.0  # logarithm of the odds from which a sound is of the family, as far as the rhythm is learnt
_CERTAIN_AMID = 2.0  # the same where much else is heard
_PERHAPS = -5.0  # the same of a family that known-good taps tell: more is told by many gaps then
_RHYTHM = 8  # gaps that show one
_SAME_GAP = 0.22  # natural logarithm within which gaps are alike
_ALIKE, _STEADY = 0.3, 0.75  # shares of a recording's taps under which nothing holds them together
_KEPT = 0.6  # such a share from which a hand is at work
_TALK = 20  # sudden sounds a tap, from which taps off any rhythm are bits of talk
_SURE = 0.85  # share of one's taps that must be on a rhythm amid talk: bits of it are alike as well
_MOST, _SAME = 0.7, 0.8  # shares of taps that make two choices one hand's
_UNLIKELY = -12.0  # natural logarithm of the odds, of the family against anything else
_DUE = 0.5  # the same, from which a gap is one of the rhythm
_FEWER, _FEWER_UNSTEADY = 0.25, 0.5  # of the nearest hammer's taps: too few to be the own, steady or not
_FEW = 3  # blows that make no hand of somebody else's
_SOFTER_DB = 10.0  # than the own family: what somebody else's blows mostly are
_STEADIER = 0.005  # of the gaps, from which one of them is the better: chance moves one in some hundreds
_LIKE_DB = 1.8  # root mean square over the bands, of two spectra of one thing
_LIKE_LEVEL_DB = 8.0  # of its level
_KNOWN = 8  # sounds that begin as known-good taps do, from which the family is learnt
_MOSTLY = 0.5  # share of known-good taps that are heard in a band over the noise: else it tells nothing
_LEAST_KNOWN_DB = 6.0  # that a strike strays from known-good ones: other skin, and noise
_LEVELS = (0.25, 0.5, 0.75, 0.9)  # quantiles of level at which the own hammer may be
_HOLDS = 0.8  # share of what begins as known-good taps do that a choice must hold, of what another holds
_STEADIER_ALONE = 0.03  # of the gaps, by which the choice by known-good taps must be steadier

_UNLIKE = "unlike the taps of this recording, and not when one was due"

_Bools = NDArray[np.bool_]
_Rhythm = tuple[FloatArray, FloatArray]  # logarithms of gaps, and what each adds


def listen(
    sound: Sound, settings: DetectSettings = DetectSettings(), hammer: HammerSound | None = None
) -> list[Tap | Rejected]:
    """Hear the taps of a recording, each known by the others.

    Parameters
    ----------
    sound : Sound
        The recording. It is listened to twice where a tap was too faint to be known at first.
    settings : DetectSettings, optional
        What counts as a tap.
    hammer : HammerSound, optional
        How known-good taps of the same boat and hammer begin.

    Returns
    -------
    list of Tap or Rejected
        In order. A tap that was only known by the others carries the flag ``faint``; one that is unlike them,
        in a quiet place and beside a pause, ``unsure``. Where sounds have
        neither a sound nor a rhythm in common, all carry the flag ``doubtful``; so do those off any rhythm
        amid talk.

    Examples
    --------
    >>> from taptone.types import Recording
    >>> class Nothing:
    ...     recording = Recording("nothing.wav", "", 48000, 48000)
    ...     def blocks(self):
    ...         yield np.zeros(48000)
    >>> listen(Nothing())
    []
    """
    ear = Detector(sound.recording.rate_hz, sound.recording.name, settings)
    found = [x for block in sound.blocks() for x in ear.feed(block)] + ear.finish()
    first = {x.sample for x in found if isinstance(x, Tap) and "bounce" not in x.flags}
    if len(first) < settings.soft_taps:
        return _few(found, first, settings)
    heard = _Heard.of(list(ear.traits.values()), ear.rate_hz, first, settings)
    chosen = _own(heard, hammer)
    taps = {int(heard.sample[k]) for k in np.flatnonzero(chosen.members)}
    known = {x.sample: x for x in found if isinstance(x, Tap)}
    late = sorted(taps - known.keys())
    if late:
        contacts = np.array(sorted(taps | known.keys()))
        after = {s: contacts[np.searchsorted(contacts, s, "right") :][:1] for s in late}
        cut = cut_out(sound, {s: int(n[0]) if len(n) else None for s, n in after.items()}, settings)
        known |= {s: replace(tap, flags=("faint", *tap.flags)) for s, tap in cut.items()}
    unsure = {int(heard.sample[k]) for k in np.flatnonzero(_unsure(heard, chosen))}
    known = {
        s: replace(tap, flags=("unsure", *tap.flags)) if s in unsure else tap for s, tap in known.items()
    }
    steady = _steadiness(heard.time_s[chosen.members], 2)
    doubtful = (chosen.alike < _ALIKE and steady < _STEADY) or (_amid_talk(found, first) and steady < _SURE)
    perhaps = {int(heard.sample[k]) for k in np.flatnonzero(_perhaps(heard, chosen))}
    return _told(found, known, taps, perhaps, doubtful, settings)


def hammer_sound(taps: Sequence[Tap]) -> HammerSound | None:
    """How strikes begin that are known to be of one hammer.

    Parameters
    ----------
    taps : sequence of Tap
        Strikes on known-good places, bounces left out.

    Returns
    -------
    HammerSound or None
        None of too few.

    Examples
    --------
    >>> hammer_sound([]) is None
    True
    """
    if len(taps) < _KNOWN:
        return None
    now, before = (np.array(rows) for rows in zip(*map(begins_db, taps), strict=True))
    family = _learn(now, before, _MOSTLY)
    return HammerSound(EDGES_HZ, family.shape_db, family.stray_db)


def _unsure(heard: _Heard, chosen: _Chosen) -> _Bools:
    """Strikes that one gap alone speaks for: a loose place at a row's end, or a blow of somebody else's."""
    out = np.zeros(len(heard.sample), bool)
    if chosen.rhythm is None or heard.busy >= _BUSY:
        return out
    members = np.flatnonzero(chosen.members)
    due = np.interp(np.log(np.diff(heard.time_s[members])), *chosen.rhythm) > _DUE
    both = np.append(False, due) & np.append(due, False)
    unlike = _likeness(heard, chosen.family)[1] < _UNLIKELY
    out[members] = ~both & (unlike & heard.by_itself)[members]
    return out


def _perhaps(heard: _Heard, chosen: _Chosen) -> _Bools:
    """What was left out, but is plainly there, and would keep the rhythm better than the tap beside it."""
    out = heard.plain(_likeness(heard, chosen.family)[0], chosen.family) & ~chosen.members
    time_s = np.concatenate([[-np.inf], heard.time_s[chosen.members], [np.inf]])
    for k in np.flatnonzero(out):
        now_s = heard.time_s[k]
        after = int(np.searchsorted(time_s, now_s))
        near = time_s[max(after - 2, 0) : after + 2]  # two taps before it, two after
        usual = _evenness(near, chosen.rhythm)
        without = [np.sort(np.append(np.delete(near, n), now_s)) for n in range(len(near))]
        instead = max(_evenness(times, chosen.rhythm) for times in without[1:-1])
        out[k] = now_s - time_s[after - 1] > heard.bounce_s and instead > usual
    return out


def _few(found: list[Tap | Rejected], first: set[int], settings: DetectSettings) -> list[Tap | Rejected]:
    """Too few taps to be known by each other; doubtful where much else is heard and they keep no rhythm."""
    time_s = np.array(sorted(x.time_s for x in found if x.sample in first))
    if not _amid_talk(found, first) or _steadiness(time_s) >= _STEADY:
        return found
    return _told(found, {x.sample: x for x in found if isinstance(x, Tap)}, first, set(), True, settings)


def _amid_talk(found: Sequence[Tap | Rejected], first: set[int]) -> bool:
    """Whether far more was heard than what looked like taps by itself, as of one who talks."""
    return sum(isinstance(x, Rejected) for x in found) >= _TALK * len(first)


def _told(
    found: Sequence[Tap | Rejected],
    known: Mapping[int, Tap],
    taps: set[int],
    perhaps: set[int],
    doubtful: bool,
    settings: DetectSettings,
) -> list[Tap | Rejected]:
    """Everything that was heard, in order: taps, their bounces, and what is neither."""
    out: list[Tap | Rejected] = []
    why = {x.sample: x for x in found if isinstance(x, Rejected)}
    last = -math.inf
    for sample in sorted(known.keys() | why.keys()):
        if sample not in known:
            out.append(replace(why[sample], perhaps=sample in perhaps))
            continue
        tap = known[sample]
        flags = tuple(f for f in tap.flags if f != "bounce") + ("doubtful",) * doubtful
        if sample in taps:
            out.append(replace(tap, flags=flags))
        elif (sample - last) * 1000 <= settings.bounce_to_ms * tap.rate_hz:
            out.append(replace(tap, flags=("bounce", *flags)))
        else:
            out.append(Rejected(tap.recording, sample, tap.rate_hz, _UNLIKE, perhaps=True))
            continue
        last = sample
    return out


# -- what was heard -------------------------------------------------------------------------------------


@dataclass(frozen=True)
class _Heard:
    """Every sudden or faint sound of a recording, one a row."""

    sample: NDArray[np.int64]
    time_s: FloatArray
    now_db: FloatArray
    before_db: FloatArray
    level_db: FloatArray  # of what rose over what was there before
    by_itself: _Bools  # looked like a tap without the others
    faint: _Bools  # not sudden enough to be looked at
    first: _Bools  # taken for a tap, and no bounce
    before: tuple[NDArray[np.intp], ...]  # sounds that look like taps, within `_ECHO_S` before each
    follows_louder: _Bools  # one of them by 3 dB or more
    busy: float  # how many others there are, echoes left out, over the taps
    bounce_s: float
    soft_db: float

    @classmethod
    def of(cls, traits: Sequence[Traits], rate_hz: int, first: set[int], settings: DetectSettings) -> _Heard:
        traits = sorted(traits, key=lambda each: each.sample)
        sample = np.array([t.sample for t in traits])
        now, before = np.array([t.now_db for t in traits]), np.array([t.before_db for t in traits])
        risen = np.where(now - before > 3.0, _power(now) - _power(before), 0.0)
        time_s, by_itself = sample / rate_hz, np.array([not t.by_itself for t in traits])
        tap = np.flatnonzero(by_itself)
        low, high = np.searchsorted(time_s[tap], time_s - _ECHO_S), np.searchsorted(time_s[tap], time_s)
        near = tuple(tap[a:b] for a, b in zip(low, high, strict=True))
        level = _total_db(risen)
        alone = ~by_itself & np.array([not len(k) for k in near])
        return cls(
            sample,
            time_s,
            now,
            before,
            level,
            by_itself,
            np.array([t.by_itself == FAINT for t in traits]),
            np.isin(sample, list(first)),
            near,
            np.array([bool((level[j] > level[k] + 3.0).any()) for k, j in enumerate(near)]),
            float(alone.sum() / len(first)),
            settings.bounce_to_ms / 1000,
            settings.soft_db,
        )

    def plain(self, over_nothing: FloatArray, family: _Family) -> _Bools:
        """Sudden, plainly there, and about as loud as the family."""
        loud = self.level_db > family.level_db - _LOUD_DB
        return np.asarray(~self.faint & (over_nothing > 1.25 * _PLAIN) & loud)


@dataclass(frozen=True)
class _Family:
    """What the taps of a recording have in common: spectrum, level, and how far the spectrum strays."""

    shape_db: FloatArray
    stray_db: FloatArray
    level_db: float


@dataclass(frozen=True)
class _Chosen:
    """The taps, those among them that are plainly of the family, and the family."""

    members: _Bools
    sure: _Bools
    family: _Family
    rhythm: _Rhythm | None = None

    @property
    def alike(self) -> float:
        return float(self.sure.sum() / max(self.members.sum(), 1))


# -- choosing -------------------------------------------------------------------------------------------


def _own(heard: _Heard, hammer: HammerSound | None) -> _Chosen:
    """The taps of the own hammer: the nearest, unless it is known how the own one sounds."""
    nearest = _nearest(heard)
    if hammer is None or hammer.edges_hz != EDGES_HZ:
        return nearest
    alike = heard.first & (_likeness_to_known(heard, hammer) > 0)
    if alike.sum() < _KNOWN:
        return nearest
    own = _by_family(heard, alike, foreign=False, keep=True)
    held, held_by_nearest = ((alike & c.members).sum() for c in (own, nearest))
    most = _HOLDS * max(held, held_by_nearest)
    # A baseline of another hammer finds a few blows of somebody else's, and none of the own.
    share = own.members.sum() / max(nearest.members.sum(), 1)
    few = share < (_FEWER if _evenly(heard, own) >= _STEADY else _FEWER_UNSTEADY)
    if held < most or few:
        return nearest
    steadier = _evenly(heard, own) > _evenly(heard, nearest) + _STEADIER_ALONE
    return own if held_by_nearest < most or steadier else nearest


def _likeness_to_known(heard: _Heard, hammer: HammerSound) -> FloatArray:
    """As :func:`_likeness`, against both, to known-good taps; at the level at which it is greatest."""
    stray_db = np.maximum(hammer.stray_db, _LEAST_KNOWN_DB)
    level_db = np.quantile(heard.level_db[heard.first], _LEVELS)
    each = [_likeness(heard, _Family(hammer.shape_db, stray_db, float(level))) for level in level_db]
    return np.asarray(np.max([np.minimum(*odds) for odds in each], axis=0))


def _nearest(heard: _Heard) -> _Chosen:
    """The taps of the nearest hammer."""
    best = _by_family(heard, heard.first, foreign=False)
    level = heard.level_db[heard.first]
    louder = []
    for share in _LOUDER:
        seed = heard.first & (heard.level_db >= np.quantile(level, share))
        if seed.sum() < 8:
            break
        louder.append(_by_family(heard, seed, foreign=True))
    for other in louder:
        if other.family.level_db > best.family.level_db + 1.0 and _is_nearer(heard, other, best):
            best = other
    if _somebody_elses(heard, best):  # nobody can tell: what was sudden by itself, and no more
        return _Chosen(heard.first, np.zeros(len(heard.first), bool), best.family)
    same = [c for c in louder if _is_same_hand(heard, c, best) and _leaves_out_others(heard, c, best)]
    steadiest = max(same, key=lambda one: _evenly(heard, one), default=best)
    return steadiest if _evenly(heard, steadiest) > _evenly(heard, best) + _STEADIER else best


def _evenly(heard: _Heard, chosen: _Chosen) -> float:
    """How steady, by one length of gap and by two: a station left out whole shows in the second only."""
    return float(np.mean([_steadiness(heard.time_s[chosen.members], lengths) for lengths in (1, 2)]))


def _is_same_hand(heard: _Heard, other: _Chosen, best: _Chosen) -> bool:
    """Whether two choices are of one hand, for the most part: of each, what the other took as well."""
    both = (other.members & best.members).sum()
    many = other.members.sum() >= _MOST * best.members.sum()
    return bool(many and both >= _SAME * other.members.sum() and not _somebody_elses(heard, other))


def _leaves_out_others(heard: _Heard, other: _Chosen, best: _Chosen) -> bool:
    """Whether what a choice leaves out is more than a few, where little else is heard: a hand strikes often.

    A loose place may be as few, and the rhythm goes on as well without one at the end of a row.
    """
    left = (best.members & ~other.members).sum()
    return bool(heard.busy >= _BUSY or left > max(_FEW, _BUSY * best.members.sum()))


def _is_nearer(heard: _Heard, louder: _Chosen, usual: _Chosen) -> bool:
    """Whether a louder choice is a hand of its own: other sounds, or the same with a clearer rhythm.

    Two strikes a station are two lengths of gap, and as steady as one a station are with one.
    """
    share = louder.members.sum() / usual.members.sum()
    one, one_usual = (_steadiness(heard.time_s[c.members]) for c in (louder, usual))
    two, two_usual = (_steadiness(heard.time_s[c.members], 2) for c in (louder, usual))
    own = not _somebody_elses(heard, louder)
    outside = (louder.sure & ~usual.members).sum() > 0.3 * louder.sure.sum()
    as_sure = louder.sure.sum() >= 0.3 * usual.sure.sum()
    distinct = outside and (as_sure or (own and share >= 0.3 and two >= _STEADY))
    steadier = share >= 0.4 and (one > one_usual + 0.15 or two > two_usual + 0.08)
    return bool(distinct or steadier or (own and one >= _KEPT and _somebody_elses(heard, usual)))


def _somebody_elses(heard: _Heard, chosen: _Chosen) -> bool:
    """Whether half a family is faint, or a fifth while louder taps were left out: not the nearest."""
    n, faint = chosen.members.sum(), (chosen.members & ~heard.by_itself).sum()
    left = heard.first & ~chosen.members & (heard.level_db > chosen.family.level_db + 3.0)
    return bool(faint >= 0.5 * n or (faint >= 0.2 * n and left.sum() >= 0.04 * n))


def _by_family(heard: _Heard, seed: _Bools, *, foreign: bool, keep: bool = False) -> _Chosen:
    """Learn a family, choose by it, and learn from what was chosen, by turns.

    Where others strike too (`foreign`), the family is learnt from what is plainly of it, and a sound that is
    not has to come when a tap is due. `keep`: the family is that of the seed throughout.
    """
    members = model = seed
    left = 0.0  # taps by themselves that were not chosen, over those that were
    company = np.zeros(len(heard.sample))
    for _ in range(_TURNS):
        family = _learn(heard.now_db[model], heard.before_db[model])
        over_nothing, over_other = _likeness(heard, family)
        worth = _worth(heard, family, over_nothing, over_other, foreign, left) + company
        alike = np.minimum(over_nothing, over_other)
        sure_from = _PERHAPS if keep else _CERTAIN if heard.busy < _BUSY else _CERTAIN_AMID
        certain = members & (alike > sure_from)
        rhythm = _rhythm(_gaps_s(heard.time_s[members], certain[members]))
        members = np.zeros(len(worth), bool)
        members[_best_sequence(heard.time_s, worth, rhythm, heard.bounce_s)] = True
        if members.sum() < 8:
            break
        sure = members & (alike > 1.0)
        model = seed if keep else sure if foreign and sure.sum() >= 8 else members
        time_s = heard.time_s[members]
        since_s = heard.time_s - time_s[np.maximum(np.searchsorted(time_s, heard.time_s, "right") - 1, 0)]
        away = (since_s < 0) | (since_s > _ECHO_S)
        left = float((heard.by_itself & ~members & away).sum() / members.sum())
        company = _company(heard, members, ~heard.faint & ~members & away)
    return _Chosen(members, members & (alike > 2.0), family, rhythm)


def _learn(now: FloatArray, before: FloatArray, share: float = 0.1) -> _Family:
    """What sounds have in common, in the bands in which at least a share of them is heard over the noise."""
    power = np.maximum(_power(now) - _power(before), 0.05 * _power(now))
    level = _total_db(power)
    shape = np.where(now - before > 3.0, 10 * np.log10(power) - level[:, None], np.nan)
    middle, stray = np.full(shape.shape[1], np.nan), np.full(shape.shape[1], np.nan)
    for band in np.flatnonzero(np.isfinite(shape).sum(axis=0) >= max(3, share * len(shape))):
        values = shape[np.isfinite(shape[:, band]), band]
        middle[band] = np.median(values)
        stray[band] = max(1.48 * np.median(np.abs(values - middle[band])), _LEAST_SD_DB)
    return _Family(middle, stray, float(np.median(level)))


def _likeness(heard: _Heard, family: _Family) -> tuple[FloatArray, FloatArray]:
    """Logarithm of the odds that a sound is of the family, against nothing and against something else.

    As if of ten bands. In each, a tap of any strength (the usual one the likeliest) lies over the noise that
    was there just before; nothing leaves the noise; something else may be anything from there to 30 dB up.
    """
    use = np.isfinite(family.shape_db)
    now, before = heard.now_db[:, use], heard.before_db[:, use]
    noise = _noise_stray_db()[use]
    best = np.full(len(now), -np.inf)
    for gain_db in np.arange(-30.0, 18.1, 1.5):
        tap = family.shape_db[use] + family.level_db + gain_db
        both = 10 * np.log10(_power(before) + _power(tap))
        stray = np.sqrt((_power(tap - both) * family.stray_db[use]) ** 2 + noise**2)
        terms = np.maximum(-0.5 * ((now - both) / stray) ** 2, -4.5) - np.log(stray)
        best = np.maximum(best, terms.sum(axis=1) - 0.5 * (gain_db / 8.0) ** 2)
    nothing = np.maximum(-0.5 * ((now - before) / noise) ** 2, -8.0) - np.log(noise)
    other = np.maximum(nothing, 0.5 * math.log(2 * math.pi) - math.log(_WIDE_DB))
    ten = 10.0 / max(int(use.sum()), 1)
    return (best - nothing.sum(axis=1)) * ten, (best - other.sum(axis=1)) * ten


def _company(heard: _Heard, members: _Bools, left: _Bools) -> FloatArray:
    """What a sound loses where its like was oftener left out than chosen; none without its like."""
    spectra = heard.now_db[:, np.isfinite(heard.now_db).all(axis=0)]
    mean = spectra.mean(axis=1, keepdims=True)
    shape = (spectra - mean) / (_LIKE_DB * math.sqrt(max(spectra.shape[1], 1)))
    place = np.column_stack([shape, mean / _LIKE_LEVEL_DB])

    def near(others: _Bools) -> FloatArray:
        count = np.zeros(len(place))
        for k in np.flatnonzero(others):
            like = np.exp(-0.5 * np.square(place - place[k]).sum(axis=1))
            like[k] = 0.0
            count += like
        return count

    return np.clip(2.0 * np.log((near(members) + 0.5) / (near(left) + 0.5)), -6.0, 0.0)


def _worth(
    heard: _Heard,
    family: _Family,
    over_nothing: FloatArray,
    over_other: FloatArray,
    foreign: bool,
    left: float,
) -> FloatArray:
    """What each sound adds to a sequence, before its place in time is looked at."""
    soft_db = family.level_db - heard.level_db
    unlike = over_other < 0
    # A faint sound counts by likeness alone, and the less, the more of them there are.
    a_second = (~heard.by_itself).sum() / max(np.ptp(heard.time_s), 1.0)
    rare = float(np.clip(-math.log(0.3 + a_second), -2.0, 1.2))
    faint = np.clip(np.minimum(over_nothing, over_other) / 2.0, -5.0, 4.0) + rare
    # What is plain and loud, but too slow to be a tap by itself, may be one on a loose skin.
    faint = np.where(heard.plain(over_nothing, family), np.maximum(faint, -2.5), faint)
    # A tap by itself stays, unless it is unlike the others or much softer, and not when one is due.
    tap = np.clip(over_other / 2.0, -2.0, 4.0) + 3.0 - np.clip((-over_other - 15.0) / 10.0, 0.0, 1.5)
    tap -= unlike * np.clip((soft_db - heard.soft_db) / 8.0, 0.0, 1.0)
    # The more of them came when none was due, the more it takes.
    very = unlike if foreign else np.clip((-over_other - 15.0) / 10.0, 0.0, 1.0)
    tap -= very * np.clip(10.0 * (left - 0.1), 0.0, 0.7)
    if not foreign:
        # Where hardly anything else is heard, a tap by itself is one whenever it comes.
        # It may be a loose one, if it is as loud and most others are alike.
        perhaps_loose = (soft_db < _SOFTER_DB) & (
            2 * (unlike & heard.by_itself).sum() < heard.by_itself.sum()
        )
        calm = np.clip(8.0 + over_other / 2.0, np.where(perhaps_loose, 2.0, -2.0), 8.0)
        tap = np.where(~heard.follows_louder & (heard.busy < _BUSY), np.maximum(tap, calm), tap)
    tap = np.where(
        (over_other < -5.0) & (heard.time_s < _BEGIN_S), -2.0, np.maximum(tap, -1.0 - very * (left > 0.1))
    )
    own = np.where(heard.by_itself, tap, faint)
    worth = own.copy()
    for k, near in enumerate(heard.before):
        for j in near:
            if heard.time_s[k] - heard.time_s[j] <= heard.bounce_s:  # no bounce may stand for its swing
                certain = over_nothing[j] > _PLAIN / 2
                worth[k] = min(worth[k], own[k] - max(own[j], 0.0) - 2.0 * certain)
                if certain and heard.level_db[j] > heard.level_db[k] - 6.0:
                    worth[k] = min(worth[k], own[j] - 0.5)
            rises = over_nothing[k] > min(5.0, over_nothing[j] - 5.0)
            if not rises and heard.level_db[k] < heard.level_db[j]:
                worth[k] = -6.0
    return worth


# -- rhythm ---------------------------------------------------------------------------------------------


def _evenness(time_s: FloatArray, rhythm: _Rhythm | None) -> float:
    """What the gaps of a sequence add to it."""
    gaps_s = np.diff(time_s)
    gaps_s = gaps_s[np.isfinite(gaps_s)]
    return 0.0 if rhythm is None else float(np.interp(np.log(gaps_s), *rhythm).sum())


def _gaps_s(time_s: FloatArray, certain: _Bools) -> FloatArray:
    """Gaps of a sequence: those between two that are certain, where these are enough to show a rhythm.

    What lies between two of them may be a loose place: the gap across it is none.
    """
    both = np.diff(time_s)[certain[:-1] & certain[1:]]
    if len(both) >= _RHYTHM:
        return np.asarray(both)
    return np.diff(time_s[certain] if certain.sum() >= _RHYTHM else time_s)


def _rhythm(gaps_s: FloatArray) -> _Rhythm | None:
    """What a gap adds to a sequence, over its logarithm: how much oftener it is found than by chance."""
    gaps_s = gaps_s[(gaps_s > 0.13) & (gaps_s < _LONGEST_S)]
    if len(gaps_s) < _RHYTHM:
        return None
    grid, width = np.linspace(math.log(0.13), math.log(_LONGEST_S), 200), 0.1
    density = np.exp(-0.5 * ((grid[:, None] - np.log(gaps_s)) / width) ** 2).mean(axis=1)
    density /= width * math.sqrt(2 * math.pi)
    worth = np.clip(np.log(0.08 + 0.92 * density * np.ptp(grid)), -2.5, 1.2)
    # About twice the usual gap: a strike that was not heard, unless many are so. Longer: a pause.
    usual = grid[int(density.argmax())]
    twice = (grid > usual + math.log(1.55)) & (grid < usual + math.log(2.5)) & (density < 0.3 * density.max())
    worth = np.where(twice, np.minimum(worth, -1.5), worth)
    return grid, np.where(grid >= usual + math.log(2.5), np.maximum(worth, -0.5), worth)


def _best_sequence(
    time_s: FloatArray, worth: FloatArray, rhythm: _Rhythm | None, least_s: float
) -> list[int]:
    """The sounds whose worth and gaps add up to most, `least_s` apart or more."""
    best, back = np.full(len(worth), -np.inf), np.full(len(worth), -1)
    top, top_at, low = 0.0, -1, 0  # the best sequence that ended so long ago that no rhythm reaches from it
    for k in range(len(worth)):
        while time_s[k] - time_s[low] > _LONGEST_S:
            if best[low] > top:
                top, top_at = float(best[low]), low
            low += 1
        value, come = (top - 0.5 * (rhythm is not None), top_at) if top_at >= 0 else (0.0, -1)
        high = int(np.searchsorted(time_s, time_s[k] - least_s, "left"))
        if high > low:
            reach = best[low:high]
            if rhythm is not None:
                reach = reach + np.interp(np.log(time_s[k] - time_s[low:high]), *rhythm)
            j = int(reach.argmax())
            if reach[j] > value:
                value, come = float(reach[j]), low + j
        best[k], back[k] = value + worth[k], come
    chain: list[int] = []
    k = int(best.argmax()) if len(best) and best.max() > 0 else -1
    while k >= 0:
        chain.append(k)
        k = int(back[k])
    return chain[::-1]


def _steadiness(time_s: FloatArray, lengths: int = 1) -> float:
    """Share of the gaps that have one usual length, or one of two: near 1 of a hand at work."""
    gaps_s = np.diff(time_s)
    log = np.sort(np.log(gaps_s[(gaps_s > 0) & (gaps_s < _LONGEST_S)]))
    n, steady = len(gaps_s), 0
    for _ in range(lengths):
        if not len(log):
            break
        low = np.searchsorted(log, log - _SAME_GAP, "left")
        inside = np.searchsorted(log, log + _SAME_GAP, "right") - low
        k = int(inside.argmax())
        steady += int(inside[k])
        log = np.delete(log, slice(low[k], low[k] + inside[k]))
    return steady / n if n else 0.0


def _power(level_db: FloatArray) -> FloatArray:
    return np.asarray(10 ** (level_db / 10))


def _total_db(power: FloatArray) -> FloatArray:
    """Level of the bands together, each counted by its width."""
    return np.asarray(10 * np.log10(power @ (np.diff(EDGES_HZ) / np.ptp(EDGES_HZ)) + 1e-14))


def _noise_stray_db() -> FloatArray:
    """How far noise strays between two stretches of some 8 ms: chi-square, twice, and its own unrest."""
    freedoms = 2 * 0.008 * np.diff(EDGES_HZ)
    return np.asarray(np.sqrt(_UNSTEADY_DB**2 + 2 * (10 / math.log(10)) ** 2 * 2 / freedoms))
