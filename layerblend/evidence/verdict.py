"""In what is which of two results better: one verdict per measure, with its interval, and the warnings that a single number would hide."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import asdict, dataclass, replace
from typing import Any

import numpy as np
import scipy

from layerblend.errors import check_range
from layerblend.evidence.catalogue import BANDS, GROUP_NAMES, KINDS, PLENTY_SNR
from layerblend.evidence.correlation import (
    NOTHING_SHARED,
    HalfSpectra,
    SharedNoise,
    agreement,
    band_contrast,
    band_snr,
    common_sigma,
    repeated_share,
)
from layerblend.evidence.estimates import AnyEstimate, BandEstimate, PlaceEstimate, pair_error
from layerblend.evidence.ground import Subject, common_ground
from layerblend.evidence.local_colour import SEEN
from layerblend.evidence.measures import Spectra, all_spectra, measure, shown_spectra
from layerblend.evidence.place import place_fault
from layerblend.figures import number
from layerblend.kinds import Plane

WORST = "local colour difference"
A_BETTER, B_BETTER, NONE_SHOWN = "A better", "B better", "no difference shown"
BOUND_EXCESS = 1.1
LEAST_ALIKE = 0.5  # agreement with the source: calming between details left .54 and more on simulated scenes, painting .43 and less
TRACE = 3.0  # sigma: so much in common is no chance
FLUX_LOSS = 0.05
SAME = 0.1  # share within which contrast or SNR count as unchanged: the colours' part in lightness is known no better
# what the colour stack, measured against, has
COLOUR_STACKS_OWN = {"hue shift": 0.0, "chroma ratio": 1.0, "colour difference": 0.0, WORST: 0.0}
AGAINST = 3.0  # standard errors below 0 from which signal to noise says that the halves contradict each other
MOST_REPEATED = 0.5  # of the half difference: where more of it is the picture over again, it is no noise
BY_REJECTION = 0.07  # of the noise: so much is shared by what a stacker throws out
LEAST_SNR = 1.0  # below, noise hides what processing did
ROUNDING = 1e-6
LEAST_SEEN = 1.0  # weight from which a difference is worth naming


@dataclass(frozen=True)
class Measure:
    """One line of the comparison. ``difference`` is a - b with ``interval``; ``verdict`` says which lies closer to what is better.

    ``hidden``: "a" or "b", whose value does not rise above its noise, so that no share of it means anything.
    """

    name: str
    unit: str
    better: str
    a: float
    b: float
    difference: float
    interval: tuple[float, float]
    method: str
    verdict: str
    hidden: str = ""

    def as_json(self) -> dict[str, Any]:
        """Plain values for measures.json."""
        return {
            "name": self.name,
            "unit": self.unit,
            "better": self.better,
            "a": self.a,
            "b": self.b,
            "difference": self.difference,
            "interval": list(self.interval),
            "method": self.method,
            "verdict": self.verdict,
        }

    @property
    def weight(self) -> float:
        """How much the difference matters to the eye: 1 = just worth naming."""
        kind = KINDS[self.name]
        if min(self.a, self.b) >= kind.plenty:
            return 0.0
        scale = kind.small * (abs(self.b) if kind.relative and self.b else 1.0)
        return abs(self._gap()) / scale if scale > 0 else 0.0

    def _gap(self) -> float:
        if self.better.startswith("toward"):
            aim = float(self.better.split()[1])
            return abs(self.a - aim) - abs(self.b - aim)
        return self.difference


@dataclass(frozen=True)
class WorstPlace:
    """Where a picture's colour differs most from the colour source: x, y in px; ``seen``: far enough above the noise to be warned of."""

    picture: str
    x: float
    y: float
    value: float
    seen: bool

    def as_json(self) -> dict[str, Any]:
        """Plain values for measures.json."""
        return {"measure": WORST, **asdict(self)}


@dataclass(frozen=True)
class Comparison:
    """All measures of A against B, worst for A first.

    ``flags``: warnings; ``unmeasured``: what could not be measured and why; ``places``: whose colour differs most where, x, y in px, and
    whether that is warned of.
    """

    a: str
    b: str
    confidence: float
    measures: tuple[Measure, ...]
    flags: tuple[str, ...] = ()
    unmeasured: tuple[tuple[str, str], ...] = ()
    notes: tuple[str, ...] = ()
    places: tuple[WorstPlace, ...] = ()

    def as_json(self) -> dict[str, Any]:
        """Plain values for measures.json."""
        return {
            "a": self.a,
            "b": self.b,
            "confidence": self.confidence,
            "measures": [m.as_json() for m in self.measures],
            "flags": list(self.flags),
            "unmeasured": [{"what": what, "why": why} for what, why in self.unmeasured],
            "notes": list(self.notes),
            "places": [place.as_json() for place in self.places],
            "words": self.words(),
        }

    def words(self) -> list[str]:
        """Plain sentences: in what is which better; where A lost stands first, what is too little to see behind what is not."""
        groups = [group for v in (B_BETTER, A_BETTER) for group in _families([m for m in self.measures if m.verdict == v])]
        lost, won, small = (
            [_sentence(group, self.a, self.b) for group in groups if (_is_seen(group), group[0].verdict) in kinds]
            for kinds in ([(True, B_BETTER)], [(True, A_BETTER)], [(False, B_BETTER), (False, A_BETTER)])
        )
        decided = {KINDS[m.name].family for m in self.measures if m.verdict != NONE_SHOWN}
        same = [_subject_of(group, decided) for group in _families([m for m in self.measures if m.verdict == NONE_SHOWN])]
        tail = [f"No difference shown in: {', '.join(same)}."] if same else []
        return [*lost, *self.flags, *won, *small, *tail, *(f"{what} not compared: {why}." for what, why in self.unmeasured), *self.notes]


def compare_subjects(a: Subject, b: Subject, *, confidence: float = 0.95, bound: tuple[Plane, Plane] | None = None) -> Comparison:
    """Measure two results on the same stars, tiles and window, and say in what which is better.

    Parameters
    ----------
    a, b : Subject
        Results of the same size and place. B is usually the plain stack.
    confidence : float, .5 to .999
        Of the intervals, and so of the verdicts.
    bound : two (H, W) planes, linear, optional
        Half-sets of the stack that carries the most signal of all linear combinations of the frames. Detail beyond it cannot come from
        the data. Without it the better of the two luminance sources serves, band by band.

    Returns
    -------
    Comparison

    Notes
    -----
    A verdict is given when the interval of the difference leaves out 0. Where a value is best *toward* x, it is given when both the
    difference a - b and the sum a + b - 2 x leave out 0: then one of the two lies closer to x.
    """
    check_range("confidence", confidence, 0.5, 0.999)
    a, b, as_shown = _alike_in_colour(a, b)
    ground = common_ground(a, b)
    spectra_a, spectra_b = all_spectra(a, ground), all_spectra(b, ground)
    (found_a, missing_a), (found_b, missing_b) = measure(a, ground, spectra_a), measure(b, ground, spectra_b)
    pairs = {name: (found_a[name], found_b[name]) for name in KINDS if name in found_a and name in found_b}
    senseless = {name: why for name, pair in pairs.items() if (why := _senseless(*pair, confidence))}
    measures = [_judge(name, *pair, confidence) for name, pair in pairs.items() if name not in senseless]
    reasons = [(GROUP_NAMES[group], why) for group, why in {**missing_b, **missing_a}.items()]
    if ground.mono:
        reasons.insert(0, ("Colour", ground.mono))
    places = [*_worst_places(a.name, found_a), *_worst_places(b.name, found_b)]
    flags = [*_place_flags(a, b), *_flux_flags(measures, a, b), *_colour_flags(a.name, found_a), *_colour_flags(b.name, found_b)]
    flags += _pattern_flags([spectra_a.shared, spectra_b.shared])
    for subject, spectra in ((a, spectra_a), (b, spectra_b)):
        if subject.unprocessed or spectra.hidden:  # the stack itself has nothing that was made; where stars cover all, nothing is known
            continue
        limits = [spectra_a.shown_source, spectra_b.shown_source]
        if bound is not None:  # sky that is blank in these two need not be in what carries more
            limits = [shown_spectra(bound, subject, ground, NOTHING_SHARED)]
        flags += [*_process_flags(subject.name, spectra), *_bound_flags(subject.name, spectra, [s for s in limits if s is not None])]
    return Comparison(
        a=a.name,
        b=b.name,
        confidence=confidence,
        measures=tuple(sorted(measures, key=_order)),
        flags=tuple(flags),
        unmeasured=(*reasons, *_senseless_bands(senseless)),
        notes=(*ground.words, *(as_shown if any(m.name == "chroma ratio" for m in measures) else ())),
        places=tuple(places),
    )


def _place_flags(a: Subject, b: Subject) -> list[str]:
    """A warning where two pictures do not lie on each other; those of one run do."""
    if a.reference is not None and a.reference is b.reference:
        return []
    fault = place_fault(a.picture, b.picture, (a.name, b.name))
    return [f"Warning: {fault}"] if fault else []


def _alike_in_colour(a: Subject, b: Subject) -> tuple[Subject, Subject, tuple[str, ...]]:
    """Both judged at the saturation they show, where one is a bare picture: how much that one was given nobody knows, and taking it out
    of the other alone would find its own saved picture too colourful. And what is said of it."""
    bare = [subject.name for subject in (a, b) if subject.curve is None]
    if not bare or a.saturation == b.saturation:
        return a, b, ()
    told = f"The saturation that `{bare[0]}` was given is not known: the target's colours are compared as both pictures show them."
    return replace(a, saturation=1.0), replace(b, saturation=1.0), (told,)


# ---------------------------------------------------------------- what cannot be measured
def _senseless(a: AnyEstimate, b: AnyEstimate, confidence: float) -> str:
    """Why a band's numbers mean nothing: noise that cannot be told, or detail that does not rise above it in either; else empty."""
    if not (isinstance(a, BandEstimate) and isinstance(b, BandEstimate)):
        return ""
    z = float(scipy.special.ndtri(0.5 + confidence / 2))
    if not a.contrast:
        if any(e.value < -AGAINST * np.sqrt(e.variance) for e in (a, b)):
            return "the half-sets contradict each other there, so that they are not independent"
        if any(e.value > PLENTY_SNR and repeated_share(e.spectra, e.low, e.high) > MOST_REPEATED for e in (a, b)):
            return f"above {PLENTY_SNR:,.0f}, where the half-sets differ more in brightness and sharpness than by noise"
    return "" if a.stands_out(z) or b.stands_out(z) else "it does not rise above the noise in either"


def _senseless_bands(reasons: dict[str, str]) -> list[tuple[str, str]]:
    """The bands of one kind that share a reason together, the finest first."""
    together: dict[tuple[str, str], list[str]] = {}
    for name, why in reasons.items():
        together.setdefault((KINDS[name].family, why), []).append(name)
    out = []
    for (family, why), names in together.items():
        what = f"{family} at {_sizes(names)}"
        out.append((f"{what[0].upper()}{what[1:]}", why))
    return out


def _judge(name: str, a: AnyEstimate, b: AnyEstimate, confidence: float) -> Measure:
    kind = KINDS[name]
    error = pair_error(a, b)
    upper, normal = 0.5 + confidence / 2, np.isinf(error.freedom)
    z = float(scipy.special.ndtri(upper) if normal else scipy.special.stdtrit(max(error.freedom, 1), upper))
    difference = a.value - b.value
    floor = ROUNDING * max(abs(a.value), abs(b.value))  # float32 pictures: differences below are arithmetic
    half = max(z * error.difference, floor)
    low, high = difference - half, difference + half
    verdict = NONE_SHOWN
    if low > 0 or high < 0:
        verdict = _winner(kind.better, a.value, b.value, max(z * error.total, floor))
    return Measure(
        name, kind.unit, kind.better, float(a.value), float(b.value), float(difference), (float(low), float(high)), kind.method, verdict,
        next((side for side, e in (("a", a), ("b", b)) if isinstance(e, BandEstimate) and not e.stands_out(z)), ""),
    )  # fmt: skip


def _winner(better: str, a: float, b: float, half_of_sum: float) -> str:
    """Which is better, given that a and b differ; for values best toward x only if the side is certain too."""
    if better == "lower":
        return A_BETTER if a < b else B_BETTER
    if better == "higher":
        return A_BETTER if a > b else B_BETTER
    aim = float(better.split()[1])
    side = a + b - 2 * aim
    if abs(side) <= half_of_sum:
        return NONE_SHOWN
    return A_BETTER if (a - b) * side < 0 else B_BETTER


def _order(m: Measure) -> tuple[int, float]:
    """Lost first, then won, then without a difference shown; in each the most visible on top."""
    rank = {B_BETTER: 0, A_BETTER: 1, NONE_SHOWN: 2}[m.verdict]
    return rank, -m.weight


# ---------------------------------------------------------------- sentences
def _families(measures: list[Measure]) -> list[list[Measure]]:
    """Measures of one family together, in the order in which each family first comes."""
    families: dict[str, list[Measure]] = {}
    for m in measures:
        families.setdefault(KINDS[m.name].family, []).append(m)
    return list(families.values())


def _is_seen(group: list[Measure]) -> bool:
    return max(m.weight for m in group) >= LEAST_SEEN


def _sentence(group: list[Measure], name_a: str, name_b: str) -> str:
    first, kind = group[0], KINDS[group[0].name]
    winner = name_a if first.verdict == A_BETTER else name_b
    pairs = [(m.a, m.b) if m.verdict == A_BETTER else (m.b, m.a) for m in group]
    what = _subject_of(group, {kind.family})
    head = f"{what[0].upper()}{what[1:]}: {winner} is better"
    end = ", too little to see." if not _is_seen(group) else "."
    shares = [abs(won / lost - 1) for m, (won, lost) in zip(group, pairs, strict=True) if lost and not m.hidden]
    change = f"{_span(shares)} {'more' if first.better == 'higher' else 'less'}" if kind.relative and shares else ""
    if len(group) > 1:
        return f"{head}{f', {change}' if change else ''}{end}"  # no share of what is 0 or hidden by noise in all bands
    won, lost = (number(value) for value in pairs[0])
    unit = f" {first.unit}" if first.unit else ""
    if first.hidden:
        change = f"in {name_a if first.hidden == 'a' else name_b} it does not rise above the noise"
    aside = change or (f"best: {first.better.split()[1]}" if first.better.startswith("toward") else "")
    if first.name in COLOUR_STACKS_OWN and pairs[0][0] == COLOUR_STACKS_OWN[first.name]:
        aside = "it is the picture that this is measured against"
    return f"{head}, {won} against {lost}{unit}{f' ({aside})' if aside else ''}{end}"


def _subject_of(group: list[Measure], split: set[str]) -> str:
    """What the sentence is about: the family, with its bands named if the family is split between verdicts or its bands stand apart."""
    kind = KINDS[group[0].name]
    if kind.family == kind.phrase or kind.family not in split:
        return kind.family
    return f"{kind.family} at {_sizes([m.name for m in group])}"


def _sizes(names: list[str]) -> str:
    """The sizes of some bands, the finest first: "3-5, 5-7 and 7-10 px"."""
    sizes = [KINDS[name].phrase.removesuffix(" px") for name in sorted(names, reverse=True)]
    return f"{', '.join(sizes[:-1])} and {sizes[-1]} px" if len(sizes) > 1 else f"{sizes[0]} px"


def _span(shares: list[float]) -> str:
    low, high = f"{100 * min(shares):.0f}", f"{100 * max(shares):.0f}"
    return f"{low} %" if low == high else f"{low} to {high} %"


# ---------------------------------------------------------------- warnings
def _flux_flags(measures: list[Measure], a: Subject, b: Subject) -> list[str]:
    """A narrower star that has lost light is eroded, not sharper."""
    by_name = {m.name: m for m in measures}
    width, flux = by_name.get("star fwhm_major"), by_name.get("star flux ratio")
    if width is None or flux is None:
        return []
    out = []
    for better, name, mine, other in ((A_BETTER, a.name, flux.a, flux.b), (B_BETTER, b.name, flux.b, flux.a)):
        if width.verdict == better and mine < 1 - FLUX_LOSS and mine < other - FLUX_LOSS:
            out.append(f"Warning: the stars of {name} are narrower but hold only {mine:.0%} of their light: eroded, not sharper.")
    return out


def _worst_places(name: str, found: Mapping[str, AnyEstimate]) -> list[WorstPlace]:
    """Where the picture's colour differs most, whether it can be seen or not."""
    worst = found.get(WORST)
    if not isinstance(worst, PlaceEstimate) or worst.value == 0:
        return []
    return [WorstPlace(name, *worst.place, worst.value, worst.value - worst.sure > SEEN)]


def _colour_flags(name: str, found: Mapping[str, AnyEstimate]) -> list[str]:
    """A place whose colour no setting asked for."""
    worst = found.get(WORST)
    if not isinstance(worst, PlaceEstimate) or worst.value - worst.sure <= SEEN:
        return []
    x, y = worst.place
    off = f"{number(worst.value)} dE00 off the colour stack's, toward {worst.hue}, over some {worst.extent:.0f} px"
    return [f"Warning: at x {x:.0f}, y {y:.0f} the colour of {name} lies {off}: look there."]


def _pattern_flags(found: list[SharedNoise]) -> list[str]:
    """A warning where more of the noise stands in both halves alike than a stacker's rejection leaves."""
    most = max(found, key=lambda shared: shared.overall)
    if not most.stands_out(BY_REJECTION):
        return []
    return [
        f"Warning: {100 * most.overall:.0f} % of the sky's noise (finer than 10 px) stands in both half-sets alike: most likely a "
        "pattern of the sensor that small or slow shifts of the frames do not average out (walking noise). Here it counts as noise, "
        "not as detail, as far as blank sky tells it apart; blotches of noise are told too small."
    ]


def _process_flags(name: str, spectra: Spectra) -> list[str]:
    """What the processing did to its own luminance source, band by band: contrast and SNR both up is real, one alone is not."""
    seen, source = spectra.picture, spectra.shown_source
    if seen is None or source is None:
        return []
    smoothed, sharpened = [], []
    for low, high in BANDS:
        if band_snr(source, low, high) < LEAST_SNR:
            continue
        contrast = _direction(*(BandEstimate(band_contrast(s, low, high), s, low, high, True) for s in (seen, source)))
        snr = _direction(*(BandEstimate(band_snr(s, low, high), s, low, high, False) for s in (seen, source)))
        if snr > 0 and contrast < 0:
            smoothed.append(f"{low:.2f}-{high:.2f}")
        if snr <= 0 and contrast > 0:
            sharpened.append(f"{low:.2f}-{high:.2f}")
    against = f"against its luminance source, {name} has"
    out = []
    if smoothed:
        out.append(f"Warning: {against} a higher signal to noise but less contrast at {', '.join(smoothed)} cycles/px: smoothing.")
    if sharpened:
        out.append(f"Note: {against} more contrast without more signal to noise at {', '.join(sharpened)} cycles/px: sharpening.")
    return out


def _direction(a: BandEstimate, b: BandEstimate) -> int:
    """1 if a is larger by more than its error and a tenth, -1 if smaller, else 0."""
    sd = pair_error(a, b).difference
    gap = a.value - b.value
    if abs(gap) <= max(scipy.special.ndtri(0.975) * sd, SAME * abs(b.value)):
        return 0
    return 1 if gap > 0 else -1


def _bound_flags(name: str, spectra: Spectra, limits: list[HalfSpectra]) -> list[str]:
    """Bands whose SNR in the finished picture lies above what the frames carry, by structure that the frames do not show.

    No filter that is the same everywhere lifts the SNR above the frames'; one that calms noise only between the details does, and what
    repeats in its halves is still what repeats in the frames'.
    """
    seen, source = spectra.picture, spectra.shown_source
    if seen is None or not limits:
        return []
    over = [(low, high) for low, high in BANDS if _above_bound(seen, limits, low, high) and _is_foreign(seen, source, low, high)]
    if not over:
        return []
    where = f"at {', '.join(f'{low:.2f}-{high:.2f}' for low, high in over)} cycles/px {name} shows"
    carried = f"more than {BOUND_EXCESS:g} times the signal to noise that the frames carry"
    return [f"Warning: {where} {carried}, and most of it is structure that the frames do not show: manufactured."]


def _is_foreign(seen: HalfSpectra, source: HalfSpectra | None, low: float, high: float) -> bool:
    """Whether most of what repeats in the picture does not repeat in its own source.

    Where noise hides the source's structure, the picture's is foreign only if there is more of it (calming noise adds none) and the source
    shows no trace of it: what is sharpened grows by right. Without a source nobody knows, and what lies above the bound is taken for
    foreign.
    """
    if source is None:
        return True
    alike = agreement(seen, source, low, high)
    if alike is None:
        more = _direction(*(BandEstimate(band_contrast(s, low, high), s, low, high, True) for s in (seen, source))) > 0
        return more and common_sigma(seen, source, low, high) < TRACE
    return alike < LEAST_ALIKE


def _above_bound(seen: HalfSpectra, sources: list[HalfSpectra], low: float, high: float) -> bool:
    value, limits = band_snr(seen, low, high), [band_snr(s, low, high) for s in sources]
    best = int(np.argmax(limits))
    sd = pair_error(BandEstimate(value, seen, low, high, False), BandEstimate(limits[best], sources[best], low, high, False)).difference
    return value > BOUND_EXCESS * limits[best] and value - limits[best] > scipy.special.ndtri(0.975) * sd
